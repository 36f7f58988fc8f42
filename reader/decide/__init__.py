"""Heights become calls (`call.call_marks`), and calls a grade (`grade.grade_plate`).

Nothing here sees a pixel; `grade` does not even see a height.
"""
