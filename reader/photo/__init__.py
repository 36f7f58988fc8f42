"""A file becomes an upright picture (`open.open_photo`); its tags, its light, and whether it is a camera's own file."""
