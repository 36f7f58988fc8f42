"""From pixels to heights: `plate.measure_plate` has the order of measuring.

In order: `strip` (each window cut out), `profile` (its absorbance along the flow), `surround` and `shade` (the light
taken out), `mark` (both marks of every window). For `mark`: `rows`, `noise`, `blanks`, `line_search` (a line's place,
width and blur), `line_height` (where a line's height is computed), `line_looks`, `line_colour`, `witness` (line or
edge, dye or shadow), `line_shape`. The others tell whether the picture is fit for it (`fitness`, `glare`, `shake`) and
what it may have lost (`survival`, `tones`).
"""
