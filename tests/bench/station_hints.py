"""How many frames of a phone's camera get their hints in a second, while a hand moves it over a plate.

    python -m tests.bench.station hints --frames 60

Each demo photo is seen by a hand that drifts, turns and breathes, seeded: frames of the size that the page sends, one
after the other, each once the one before has its hints, by the phone's own request. Some frames are of the empty table:
where a plate that was followed is gone, it is looked for everywhere.
"""

import http.client
import json
import os
import statistics
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

import cv2
import numpy as np

from reader.numbers.arrays import FloatArray
from tests.bench.station import ROOT, Server, depot, page_cookie
from tests.bench.station_answer import Browser

PHOTOS: Final = ("helipad-bowser", "north-tank-drain", "rescue-boat-tank-1", "south-tank-drain")
FRAME: Final = (600, 800)  # px, as the page's script sends a phone's that is held upright
QUALITY: Final = 70  # of its JPEG, as that script has it
DRIFT_PX: Final = (
    3.0  # from frame to frame, a quarter of a second apart; a hand held still over a plate (no source)
)
TURN_DEG: Final = 0.3
BREATH: Final = 0.004  # of the scale
GONE_EVERY: Final = 15  # frames, after which one shows the table alone
A_SECOND_MIN: Final = 4.0


def frames(name: str, n: int, seed: int) -> Iterator[bytes]:
    """JPEGs of a demo photo, as a hand moves the camera over it."""
    rng = np.random.default_rng(seed)
    photo = cv2.imread(str(ROOT / "demo_images" / f"{name}.jpg"))
    assert photo is not None
    if photo.shape[0] < photo.shape[1]:
        photo = cv2.rotate(photo, cv2.ROTATE_90_CLOCKWISE)
    width, height = FRAME
    table = tuple(float(one) for one in np.median(photo.reshape(-1, 3), axis=0))
    fit = max(width / photo.shape[1], height / photo.shape[0])
    at: FloatArray = np.zeros(2)
    turn, scale = 0.0, 1.0
    for number in range(n):
        at = at + rng.normal(0, DRIFT_PX, 2)
        turn += float(rng.normal(0, TURN_DEG))
        scale *= 1 + float(rng.normal(0, BREATH))
        middle = photo.shape[1] / 2, photo.shape[0] / 2
        moved: FloatArray = np.asarray(cv2.getRotationMatrix2D(middle, turn, fit * scale), np.float64)
        moved[:, 2] += np.array([width, height]) / 2 - np.array(middle) + at
        if number % GONE_EVERY == GONE_EVERY - 1:
            moved[0, 2] += 3 * width
        seen = cv2.warpAffine(photo, moved, FRAME, flags=cv2.INTER_AREA, borderValue=table)
        done, data = cv2.imencode(".jpg", seen, [cv2.IMWRITE_JPEG_QUALITY, QUALITY])
        assert done
        yield data.tobytes()


def hints(folder: Path, *, n: int, seed: int = 1) -> dict[str, Any]:
    """Milliseconds a frame over all photos, frames a second of each, and how often each hint was given."""
    os.environ |= {"OMP_NUM_THREADS": "1"}
    depot(folder, 1)
    server = Server(folder)
    server.start()
    browser = Browser(server.port, page_cookie(server, folder))
    took: dict[str, list[float]] = {}
    given: Counter[str] = Counter()
    try:
        for name in PHOTOS:
            for number, frame in enumerate(frames(name, n + 1, seed)):
                begun = time.perf_counter()
                said = json.loads(browser.ask("POST", "/hints?lot=CB-2604", frame))
                if number:  # the first also begins the process that looks
                    took.setdefault(name, []).append(1e3 * (time.perf_counter() - begun))
                    given.update(one["code"] for one in said["hints"] or [{"code": "hold still"}])
    except (AssertionError, http.client.HTTPException) as error:
        return {"problems": [f"a frame got no hints: {error}"]}
    finally:
        browser.close()
        server.stop()
    every = sorted(one for some in took.values() for one in some)
    rates = {name: round(1e3 / statistics.mean(some), 1) for name, some in took.items()}
    slow = [
        f"{name}: {rate} frames a second, at least {A_SECOND_MIN}"
        for name, rate in rates.items()
        if rate < A_SECOND_MIN
    ]
    return {
        "problems": slow,
        "frames": len(every),
        "ms_median": round(statistics.median(every)),
        "ms_95": round(every[int(0.95 * len(every))]),
        "ms_max": round(every[-1]),
        "a_second": rates,
        "given": dict(given),
    }
