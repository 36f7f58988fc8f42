"""Many photos at a time: which ones, in how many processes, and what became of each.

Others use `jobs` (photos and the files for their results), `batch` (reading and writing one), `pool.read_many` (all of
them in processes), `summary` (the table in CSV), `day_table` (a table of plates to read) and `progress`.
"""
