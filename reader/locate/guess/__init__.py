"""Rough poses to begin with: by the card (`on_card`), by regions anywhere or by openings (`guesses`).

`regions` and `openings` find what may be a plate or its windows and wells; `pattern` tells which way up.
"""
