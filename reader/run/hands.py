"""Whose hands do a run's work."""

from reader.run.hand_out import Hands, Here


def hands_for(n_jobs: int, processes: int) -> Hands:
    """Who does work on this machine: this process for a single job, which nobody waits behind; else at most `processes`
    of their own, so that a photo that kills its process costs no other."""
    if n_jobs <= 1:
        return Here()
    from reader.run.pool import OwnProcesses

    return OwnProcesses(processes)
