"""The round: what comes before the photo (site, procedure, runs) and what follows the grade, computed from events."""
