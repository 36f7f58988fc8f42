"""Reads lateral-flow test plates from a photo."""
