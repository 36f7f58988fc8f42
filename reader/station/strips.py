"""A plate's windows one after the other, each with its marks' calls: as photos are labelled and quizzes taken."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from starlette.exceptions import HTTPException
from starlette.requests import Request

from reader.library.examples import MARKS
from reader.station.pages import desk_of
from reader.words import CALLS_OF, Call, MarkName

KEYS: Final[Mapping[Call, str]] = {"present": "P", "absent": "A", "doubtful": "D", "undeveloped": "U"}


@dataclass(frozen=True, kw_only=True, slots=True)
class Strip:
    """One window: the path of its page, its pictures as data URIs, the mark that lies lower, and what it is called."""

    path: str
    window: str
    picture: str
    lower: MarkName
    calls: Mapping[MarkName, Call]
    raised: str | None = None

    @property
    def done(self) -> int:
        """How many of its marks are called."""
        return len(self.calls)


def show_strips(strips: Sequence[Strip], place: int) -> dict[str, Any]:
    """What the page shows of a plate, whose window at `place` is to be called now."""
    here = strips[place]
    upper = next(mark for mark in MARKS if mark != here.lower)
    return {
        "strips": strips,
        "now": here,
        "rows": [
            {
                "mark": mark,
                "where": where,
                "given": here.calls.get(mark),
                "calls": [(call, KEYS[call]) for call in CALLS_OF[mark]],
            }
            for mark, where in ((upper, "upper"), (here.lower, "lower"))
        ],
    }


async def said(request: Request) -> tuple[MarkName, Call]:
    """The mark and call that a browser sends, as JSON from a script or as a form. Raises HTTPException 400."""
    if is_json(request):
        try:
            asked: Any = await request.json()
        except (ValueError, RecursionError):
            asked = None
        text = asked.get("answer") if isinstance(asked, dict) else None
    else:
        text = (await request.form()).get("answer")
    for mark in MARKS:
        for call in CALLS_OF[mark]:
            if text == f"{mark} {call}":
                return mark, call
    raise HTTPException(400, desk_of(request).texts("strips.no_call"))


def is_json(request: Request) -> bool:
    """Whether a script asks, which goes on by itself."""
    return request.headers.get("content-type", "").startswith("application/json")
