"""The round: what comes before the photo and what follows the grade, computed from events of the logbook.

`site`, `procedure` and `plan` are a site's files; `run` is one run and its state, `record` writes it; `read_run` reads
a photo by its run; `departures` and `regrade` say what went otherwise; `history` and `report` look back.
"""
