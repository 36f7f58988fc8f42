"""How well people and linecall agree (`agree`), how well linecall reads (`validate`), by figures with their sources
(`statistics`).
"""
