"""Demo photos by what they are due."""

import json
from pathlib import Path


def readable_photo(root: Path) -> Path:
    """The first demo photo whose truth says that it can be read and is valid; a JPEG."""
    for truth in sorted((root / "demo_images").glob("*.json")):
        photo = truth.with_suffix(".jpg")
        due = json.loads(truth.read_text(encoding="utf-8"))
        if photo.exists() and due["expect"] == "read" and due["grade"] != "invalid":
            return photo
    raise FileNotFoundError("demo_images holds no JPEG photo that is due a verdict")
