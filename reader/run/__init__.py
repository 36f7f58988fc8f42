"""Many photos at a time: which ones, in how many processes, and what became of each.

Others use `batch` (jobs, outcomes, the summary), `pool.run_jobs`, `day_table` and `progress`.
"""
