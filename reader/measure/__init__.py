"""From pixels to heights: strips, profiles, the light taken out, both marks of a window fitted (`mark`).

In order: `strip.cut_strips`, `profile.extract_profile`, `shade.find_shades`, `mark.measure_marks`. The others tell
whether the picture is fit for it (`fitness`, `glare`, `shake`) and what it may have lost (`survival`).
"""
