"""What the worker processes of test_pool.py are told to do; a photo's name says how it goes."""

import os
import signal
import time

from fixtures.verdicts import refused_verdict
from reader.run.batch import Outcome
from reader.run.jobs import Job


def read_by_name(job: Job) -> Outcome:
    name = job.photo.name
    if name.startswith("kill"):
        os.kill(os.getpid(), signal.SIGKILL)
    if name.startswith("exit"):
        os._exit(1)
    if name.startswith("fault"):
        raise ZeroDivisionError("a fault\nwith a second line")
    if name.startswith("refuse"):
        return Outcome(job=job, verdict=refused_verdict(photo_name=name))
    if name.startswith("slow"):
        time.sleep(0.3)
    return Outcome(job=job, written=(job.photo.parent / f"{name} by {os.getpid()}",))
