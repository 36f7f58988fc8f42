"""A kept verdict called or graded again without its photo, and several photos of one plate combined.

Others use `call_anew.call_anew`, `grade_anew.graded` and `combine.combine_photos`.
"""
