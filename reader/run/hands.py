"""Whose hands do a run's work."""

from reader.run.hand_out import Hands, Here


def hands_for(n_jobs: int | None, processes: int, on: str | None = None) -> Hands:
    """Who does work: the workers of the scheduler at the address `on`; else this machine.

    There, a single job is done by this process, which nobody waits behind; several, or nobody knows how many, by at
    most `processes` of their own, so that a photo that kills its process costs no other. Raises LinecallError for a
    scheduler that is out of reach.
    """
    if on is not None:
        from reader.run.cluster import Cluster

        return Cluster(on)
    if n_jobs is not None and n_jobs <= 1:
        return Here()
    from reader.run.pool import OwnProcesses

    return OwnProcesses(processes)
