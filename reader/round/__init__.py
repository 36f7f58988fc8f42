"""The round: what comes before the photo and what follows the grade, computed from events of the logbook.

`site`, `procedure` and `plan` are a site's files; `run` is one run and its state, `record` writes it; `read_run` reads
a photo by its run, `label` ties it by a printed code, `label_look` finds that in the photo; `departures` and `regrade`
say what went otherwise; `follow_up` is what follows a grade, `follow_up_record` writes it; `due` is the day's round,
`sheets` prints it; `history` and `report` look back.
"""
