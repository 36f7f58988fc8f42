"""Who and what in another logbook is who and what in this one: matched where the spelling is the same, asked where not.

Nothing is matched by guess. Names that may be one person's (reader.words.names), places that look alike, and points of
one id that lie on different tanks are asked about; the answers are kept in the event that takes the chain in.
"""

import shlex
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from reader.errors import LinecallError
from reader.logbook.chains import PERSON, POINT, SAMPLE_POINT, TANK, short
from reader.logbook.events import Event
from reader.logbook.run_events import RUN
from reader.words import listed, shown
from reader.words.names import checked_name, folded, may_be

KINDS: Final = (PERSON, TANK, SAMPLE_POINT, POINT)


@dataclass(frozen=True, kw_only=True, slots=True)
class Question:
    """Somebody or something of a chain that may be what this logbook knows by another name, or by this one."""

    chain: str
    kind: str
    there: str
    alike: tuple[str, ...]
    difference: str = ""

    def __str__(self) -> str:
        """The question in words."""
        if self.difference:
            return f"{self.kind} {shown(self.there)} of chain {short(self.chain)} {self.difference}"
        alike = listed([shown(one) for one in self.alike], "or")
        return f"{self.kind} {shown(self.there)} of chain {short(self.chain)} may be {alike}, known here"

    @property
    def options(self) -> str:
        """The options that answer it, as they are typed."""
        same = " or ".join(f"--same {shlex.quote(f'{self.there}={one}')}" for one in self.alike)
        if self.difference:
            return f"{same}, else --same {shlex.quote(f'{self.there}=ANOTHER ID')}"
        return f"{same}, else --apart {shlex.quote(self.there)}"


class UnsureError(LinecallError):
    """Names that could not be matched; nothing was taken."""

    def __init__(self, name: str, questions: Sequence[Question]) -> None:
        """Take the other logbook's name and what is to be asked."""
        told = "; ".join(f"{question}: {question.options}" for question in questions)
        super().__init__(f"{name}: nothing was taken yet, for these may be one or two; say which: {told}")
        self.questions = tuple(questions)


@dataclass(frozen=True, kw_only=True, slots=True)
class Answers:
    """What a keeper has said: `same` what is called there so, and here otherwise; `apart` those that are others."""

    same: Mapping[str, str]
    apart: frozenset[str] = frozenset()


def names_in(event: Event) -> Iterator[tuple[str, str, str]]:
    """(kind, name, what tells it from its namesakes) of everything that an event names."""
    payload = event.payload
    yield PERSON, event.by, ""
    if event.kind == "person":
        yield PERSON, str(payload["name"]), ""
    said: Mapping[str, Any] = payload.get("statement", {}) if event.kind == "reading" else {}
    if event.kind == "correction" and payload.get("value") is not None:
        said = {payload["field"]: payload["value"]}
    if event.kind == RUN:
        said = {"operator": payload["operator"]}
        yield POINT, str(payload["point"]), f"of site {payload['site']['name']} is on tank {payload['tank']}"
    for field, kind in (("operator", PERSON), ("tank", TANK), ("sample_point", SAMPLE_POINT)):
        if said.get(field) is not None:
            yield kind, str(said[field]), ""


Names = Mapping[tuple[str, str], frozenset[str]]
"""What tells each (kind, name) from its namesakes."""


class Matching:
    """Matches the names of one chain after another with those that are known here."""

    def __init__(self, known: Names, answers: Answers) -> None:
        """Take the names that are known here and what a keeper has answered."""
        self._known = {kind: {name: told for (k, name), told in known.items() if k == kind} for kind in KINDS}
        self._answers = answers
        self.called: list[dict[str, str]] = []
        self.questions: list[Question] = []

    def match(self, chain: str, names: Names, answered: Iterable[tuple[str, str]], ask: "Ask | None") -> None:
        """Match the names of a chain; answered : (kind, name) of those that were matched when it came before."""
        before = set(answered)
        settled: dict[tuple[str, str], frozenset[str]] = {}
        for kind, there in sorted(names):
            if (kind, there) in before:
                continue
            question = self._question(chain, kind, there, names[kind, there])
            here = self._answer(kind, there, question, ask)
            if here is not None:
                self.called.append({"chain": chain, "kind": kind, "there": there, "here": here})
                settled[kind, here] = frozenset()
            elif question is not None:
                self.questions.append(question)
            else:
                settled[kind, there] = names[kind, there]
        for (kind, name), told in settled.items():
            self._known[kind][name] = self._known[kind].get(name, frozenset()) | told

    def _question(self, chain: str, kind: str, there: str, told: frozenset[str]) -> Question | None:
        known = self._known[kind]
        if kind == POINT:
            here = known.get(there, frozenset())
            if not here or not told or told <= here:
                return None
            difference = f"{listed(sorted(told - here))} there, and {listed(sorted(here))} here"
            return Question(chain=chain, kind=kind, there=there, alike=(there,), difference=difference)
        if there in known:
            return None
        is_like = may_be if kind == PERSON else _looks_alike
        alike = tuple(sorted(name for name in known if is_like(there, name)))
        return Question(chain=chain, kind=kind, there=there, alike=alike) if alike else None

    def _answer(self, kind: str, there: str, question: Question | None, ask: "Ask | None") -> str | None:
        """What is called so there is called here; None where that is not known, or need not be asked."""
        same, known = self._answers.same.get(there), self._known[kind]
        if same is not None and (question is not None or there in known):
            here = checked_name(same) if kind == PERSON else same.strip()
            if here not in known and there not in known:
                raise LinecallError(
                    f"--same {shown(f'{there}={same}')}: {shown(here)} is not known here"
                    + (f", but {listed([shown(one) for one in question.alike])}" if question else "")
                )
            return here
        if question is None:
            return None
        if there in self._answers.apart and not question.difference:
            return there
        return None if ask is None else ask(question)


Ask = Callable[[Question], str | None]
"""Asks a keeper: what is called so there is called what here; None where they do not say."""


def _looks_alike(one: str, other: str) -> bool:
    return folded(one) == folded(other)
