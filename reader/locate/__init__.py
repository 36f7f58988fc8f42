"""Where the plate lies in the photo: `plate.find_plate` gives a `PlatePose`, or refuses with a reason.

`geometry` has all coordinates and their conversions; others use those two, and `outline` to draw a layout.
"""
