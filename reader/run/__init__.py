"""Many photos at a time: which ones, in how many processes, and what became of each.

Others use `jobs` (photos and the files for their results), `batch` (reading and writing one, and many), `hand_out` (the
same work on many things by any executor), `pool` (processes of this machine), `summary` (the table in CSV), `day_table`
(a table of plates to read) and `progress`; for verdicts that are called anew `archive` (which ones), `call_archive`
(what each comes to) and `changes_table`.
"""
