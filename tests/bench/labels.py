"""How often a bottle's label of 10 mm beside the plate is read, and what looking for it costs.

`python -m tests.bench.labels [PHOTOS_DIR]` from the repository's top. Labels are pasted beside the plates of simulated
photos, and of those in the folder that are read, at random places and turns, in the plate's light, blurred and noisy.
In a photo without a label none must be found.
"""

import argparse
from collections.abc import Iterator
from pathlib import Path
from time import process_time

import cv2
import numpy as np

from fixtures.labels import with_label
from fixtures.plates import readable_scene
from fixtures.scene import photograph
from reader.errors import PhotoRefusedError
from reader.locate.plate import PlatePose, find_plate
from reader.photo.open import Photo, open_photo
from reader.round.label import code_of
from reader.round.label_look import codes_beside
from reader.run.jobs import PICTURE_SUFFIXES
from reader.settings.read_settings import load_settings
from reader.settings.values import load_layout

SIDE_MM = 10.0
SIMULATED = 40
EACH = 3
MEGAPIXELS_12 = (4000, 3000)
CODE = code_of("tallowmere", "7q3k9xab")
BARS = {
    "simulated, share read": 0.95,
    "photos, share read": 0.95,
    "on 12 megapixels, CPU ms, 95th percentile": 20.0,
}


def simulated() -> Iterator[Photo]:
    """Photos that are due a verdict, of two layouts, on the card and bare."""
    for seed in range(SIMULATED):
        layout = load_layout("comb" if seed % 3 else "strip")
        level = ("easy", "medium", "hard")[seed % 3]
        yield open_photo(photograph(readable_scene(layout, seed, level=level, card=seed % 2 == 0)).pixels)  # type: ignore[arg-type]


def given(folder: Path) -> Iterator[Photo]:
    """Photos in a folder."""
    for path in sorted(folder.iterdir()):
        if path.suffix.lower() in PICTURE_SUFFIXES:
            yield open_photo(path)


def labelled(photo: Photo, pose: PlatePose, rng: np.random.Generator) -> Photo | None:
    """The photo with a label at a random place beside the plate; None where the frame has no room."""
    width, height = pose.layout.outline.width, pose.layout.outline.height
    for _ in range(200):
        x, y = rng.uniform(-30, width + 30), rng.uniform(-30, height + 30)
        if -9 < x < width + 9 and -9 < y < height + 9:
            continue
        corners = np.array([[[x + dx, y + dy]] for dx in (-10, 10) for dy in (-10, 10)])
        seen = cv2.perspectiveTransform(corners, pose.mm_to_px)[:, 0]
        if seen.min() < 3 or (seen > [photo.width - 4, photo.height - 4]).any():
            continue
        return with_label(
            photo, pose, CODE, centre_mm=(x, y), side_mm=SIDE_MM, turn=float(rng.uniform(0, 2 * np.pi)),
            blur_px=float(rng.uniform(0.5, 1.2)), noise=0.015, seed=int(rng.integers(1 << 30)),
        )  # fmt: skip
    return None


def enlarged(photo: Photo, pose: PlatePose) -> tuple[Photo, PlatePose]:
    """The same on 12 megapixels."""
    from dataclasses import replace

    factor = min(
        MEGAPIXELS_12[0] / max(photo.width, photo.height), MEGAPIXELS_12[1] / min(photo.width, photo.height)
    )
    pixels = cv2.resize(photo.pixels, None, fx=factor, fy=factor, interpolation=cv2.INTER_CUBIC)
    scale = np.diag([factor, factor, 1.0])
    larger = replace(
        pose,
        mm_to_px=scale @ pose.mm_to_px,
        corners_px=pose.corners_px * factor,
        px_per_mm=pose.px_per_mm * factor,
    )
    return replace(photo, pixels=np.asarray(pixels, photo.pixels.dtype)), larger


def look(photos: Iterator[Photo]) -> tuple[int, int, list[float], list[str]]:
    """How many labels were read of how many, CPU milliseconds on 12 megapixels, and photos with one that was not."""
    rng = np.random.default_rng(7)
    layouts = load_settings().layouts
    read = n = 0
    spent: list[float] = []
    missed = []
    for photo in photos:
        try:
            pose = find_plate(photo, layouts)
        except PhotoRefusedError:
            continue
        for _ in range(EACH):
            shown = labelled(photo, pose, rng)
            if shown is None:
                break
            n += 1
            found = codes_beside(shown, pose) == (CODE,)
            read += found
            if not found:
                missed.append(f"{photo.name} ({pose.px_per_mm:.1f} px/mm)")
        assert codes_beside(photo, pose) == (), photo.name
        for one in [photo, *([shown] if shown is not None else [])]:
            large, larger = enlarged(one, pose)
            start = process_time()
            codes_beside(large, larger)
            spent.append(1e3 * (process_time() - start))
    return read, n, spent, missed


def main() -> None:
    """Print what was read, and what it cost."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("photos", nargs="?", type=Path, help="a folder of photos")
    folder = parser.parse_args().photos
    found, spent = {}, []
    sets = {"simulated": simulated(), **({"photos": given(folder)} if folder else {})}
    for name, photos in sets.items():
        read, n, took, missed = look(photos)
        spent += took
        found[f"{name}, share read"] = read / n
        print(f"    {name}: {read} of {n} read; not: {', '.join(missed) or 'none'}")
    name = "on 12 megapixels, CPU ms, 95th percentile"
    found[name] = float(np.percentile(spent, 95))
    print(f"    CPU ms on 12 megapixels: median {np.median(spent):.1f}, most {max(spent):.1f}")
    for name, value in found.items():
        good = value <= BARS[name] if "ms" in name else value >= BARS[name]
        print(f"{'ok ' if good else 'BAD'} {name}: {value:.3f}, bar {BARS[name]:g}")


if __name__ == "__main__":
    main()
