"""Pages complete in themselves, from templates."""

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from reader.draw.page_security import secured
from reader.words import tidy


def render(
    template: str,
    folders: Sequence[Path],
    content: Mapping[str, object],
    filters: Mapping[str, Callable[..., Any]] | None = None,
) -> bytes:
    """Fill the template of that name, the first in these folders; values are HTML-escaped.

    The page gets its Content-Security-Policy (`page_security`).
    filters : besides `tidy`, which leaves out of a text what no page can show. A name that is not given is an error.
    """
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    environment = Environment(
        loader=FileSystemLoader(folders),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters |= {"tidy": lambda text: tidy(str(text)), **(filters or {})}
    return secured(environment.get_template(template).render(**content)).encode("utf-8")
