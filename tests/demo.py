"""Demo photos by what they are due."""

import json
from pathlib import Path


def readable_photo(root: Path) -> Path:
    """The first demo photo whose truth says that it can be read; a JPEG."""
    for truth in sorted((root / "demo_images").glob("*.json")):
        photo = truth.with_suffix(".jpg")
        if photo.exists() and json.loads(truth.read_text(encoding="utf-8"))["expect"] == "read":
            return photo
    raise FileNotFoundError("demo_images holds no JPEG photo that is due a verdict")
