"""The version, once: pyproject.toml, the command and every verdict take it from here."""

VERSION = "0.1.0"
