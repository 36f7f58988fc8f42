"""Files of any kind: read safely from outside (`plain`), written whole or not at all (`output`).

Also the bundled data's place (`bundled`), damaged contents (`damage`), and CSV cells no spreadsheet computes
(`csv_cells`).
"""
