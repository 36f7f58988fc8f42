"""Where the plate lies, which layout it is and which way up (`plate.find_plate`), or why that cannot be told.

In order: `view` (the reduced copy), `card`, `guess` (rough poses), `refine` (drawn onto the plate's edges), `score`
(which way up), `judge` (what is refused). `camera`, `camera_steps`, `known_points` and `priors` are the camera's;
`outline` has a layout's edges as curves, `card` the printed card.
"""
