"""What logbook and library keep things in: a database (`database`) and files under their hashes (`kept_files`)."""
