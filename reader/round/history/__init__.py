"""What a sample point has shown over time: its grades, each analyte's brackets, and whether it got worse than usual.

`point` gathers one point's history from the logbook, `usual` judges it, `months` gathers all points; `page` draws one.
"""
