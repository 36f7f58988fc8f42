"""What the station's inner modules say to people, by code: they do not know in whose language, so pages tell it."""

from typing import Final

from reader.words.sayings import Sayings

SAYS: Final = Sayings(
    "station",
    {
        "clock": "{at} cannot be when this was; check the phone's clock",
        "too_late": "the plate may be read until {until}, and this photo came later; take a new plate",
        "other_run": "run {run} is here with {field} {here}, but was sent with {sent}; nothing was changed",
        "other_time": "{step} of run {run} is here with another time; correct it in the run, so that both are kept",
        "closed_before": "run {run} was closed, so no photo belongs to it any more",
        "abandoned_before": "run {run} was abandoned, so no photo belongs to it any more",
        "many_photos": "this run has {n} photos already, and no more are taken",
        "not_read": "the photo was not read",
        "not_kept": "the photo could not be put into the logbook",
        "disk_full": "the station's disk is full: the photos are kept here and are read once there is room; tell the "
        "keeper, then ask again",
        "busy_run": "others keep writing on run {run}; the photo is kept, ask again",
        "stopping": "the station is being stopped; the photo is kept, send it again",
        "queue": "{n} readings wait already; the photo is kept, ask again in a minute",
    },
)
