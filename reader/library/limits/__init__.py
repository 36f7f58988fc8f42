"""Decision limits proposed from a library's plates (`fit.propose`), by what other limits would have called
(`outcomes`); and what an archive's errors were and would be (`before_after`).
"""
