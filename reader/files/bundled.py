"""Where the files that linecall brings are: settings, templates of pages, the verdict's schema."""

from pathlib import Path
from typing import Final

DATA: Final = Path(__file__).parents[1] / "data"
