"""Draw a quiz paper from the library by chance and class, keep its key, and write its page.

The page has strips and ids drawn by lot, and nothing that tells an answer; the key stays in the library's folder. The
lots come from the key and a secret of the folder: another consensus makes another quiz beside the one that was handed
out, and no id can be tried against guessed answers.
"""

import hashlib
import hmac
import random
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from reader.draw.page_picture import png
from reader.draw.templates import render
from reader.errors import LinecallError
from reader.files.bundled import DATA
from reader.library.askable import FitToAsk
from reader.library.examples import Example
from reader.library.quiz.mix import Mix
from reader.library.quiz.records import (
    UNDRAWN,
    Key,
    KeyItem,
    KeyMark,
    QuizError,
    find_answered,
    keep_key,
    load_secret,
)
from reader.library.rows import StoredMark
from reader.library.store import Library
from reader.library.strips import as_photographed
from reader.settings.values import SettingsFile
from reader.store.canonical import canonical_json
from reader.verdict.model import SettingsRecord, WindowRecord
from reader.words import CALLS_OF
from reader.words.ids import ID_ALPHABET, ID_LENGTH
from reader.words.names import checked_name, folded

TEMPLATES: Final = DATA / "quiz"
ITEMS_MAX: Final = 500


@dataclass(frozen=True, kw_only=True, slots=True)
class Paper:
    """A paper that was drawn: what it asks, also as a page, and what is to be said about the draw."""

    key: Key
    content: Mapping[str, Any]
    page: bytes
    notes: tuple[str, ...]


def make(
    library: Library, *, trainee: str, items: int, seed: int, mix: Mix, minutes: int | None = None
) -> Paper:
    """Draw a paper of so many plates, keep its key in the library, and write its page.

    The same library, trainee and settings give the same paper; a paper that was handed out keeps its key, also
    where the consensus is another one since. Raises QuizError if a class cannot be represented, or if it cannot be
    told what the trainee has answered before.
    """
    trainee = checked_name(trainee, "the trainee's name")
    random_ = random.Random(f"{seed} {folded(trainee)} {mix.sha256} {items}")
    chosen, notes = _draw(library, trainee, items, mix, random_)
    random_.shuffle(chosen)
    drawn = [
        (_show_windows(library, example), _key_item(example, of_example))
        for example, of_example in library.with_marks(chosen)
    ]
    standard = library.settings.standard()
    key = Key(
        quiz=UNDRAWN,
        trainee=trainee,
        seed=seed,
        mix=_record(mix),
        consensus=_record(standard.consensus),
        strength=_record(standard.strength),
        criteria=mix.criteria,
        minutes=minutes,
        items=tuple(item for _, item in drawn),
        paper="0" * 64,
    )
    lots = _draw_ids(library, key)
    ids = [next(lots) for _ in drawn]
    asked = [{"item": id, "windows": windows} for id, (windows, _) in zip(ids, drawn, strict=True)]
    with_ids = tuple(item.model_copy(update={"item": id}) for id, (_, item) in zip(ids, drawn, strict=True))
    while True:
        quiz = next(lots)
        content = {"format": 1, "quiz": quiz, "minutes": minutes, "items": asked}
        paper = hashlib.sha256(canonical_json(content)).hexdigest()
        kept = keep_key(library, key.model_copy(update={"quiz": quiz, "items": with_ids, "paper": paper}))
        if kept is not None:
            content["paper"] = paper
            page = render(
                "paper.html",
                [TEMPLATES],
                {"content": content, "trainee": kept.trainee, "criteria": mix.criteria},
            )
            return Paper(key=kept, content=content, page=page, notes=tuple(notes))


def _draw(
    library: Library, trainee: str, items: int, mix: Mix, random_: random.Random
) -> tuple[list[str], list[str]]:
    """Ids of the examples, rarest classes drawn first, no plate twice; and notes on what was short."""
    wanted = _count_by_class(items, mix)
    answered, notes = find_answered(library, trainee)
    fit = library.askable.fit(trainee, answered)
    spare = _find_spare_photos(fit, random_)
    every = [seq for seq in fit.every if seq not in spare] if spare else fit.every
    if len(every) < items:
        raise QuizError(
            f"{library.name}: has {_plates(len(every))} with strips and a consensus on every mark that {trainee} has "
            f"not graded, but {items} are asked for; ask for fewer with --items, or have more plates graded"
        )
    taken: dict[int, None] = {}
    for name in sorted(wanted, key=lambda name: len(fit.of_class[name])):
        of_class = [seq for seq in fit.of_class[name] if seq not in spare] if spare else fit.of_class[name]
        if not of_class:
            raise QuizError(
                f"{library.name}: no plate with a line of class {name!r} may be asked ({trainee} has graded it, or "
                "it lacks strips or a consensus); linecall library coverage tells what is thin"
            )
        lot = random_.sample(of_class, min(len(of_class), wanted[name] + len(taken)))
        found = [seq for seq in lot if seq not in taken][: wanted[name]]
        taken.update(dict.fromkeys(found))
        if len(found) < wanted[name]:
            notes.append(f"only {_plates(len(found))} for class {name!r}, {wanted[name]} were wanted")
    for seq in random_.sample(every, items):
        if len(taken) < items:
            taken.setdefault(seq)
    return library.askable.ids(list(taken)), notes


def _find_spare_photos(fit: FitToAsk, random_: random.Random) -> set[int]:
    """Of each plate that several photos show, all but one, by lot."""
    spare: set[int] = set()
    every = set(fit.every) if fit.alike else set()
    for group in fit.alike:
        may = [seq for seq in group if seq in every]
        if len(may) > 1:
            spare.update(may)
            spare.remove(random_.choice(may))
    return spare


def _plates(n: int) -> str:
    return f"{n} plate{'s' * (n != 1)}"


def _count_by_class(items: int, mix: Mix) -> dict[str, int]:
    """Plates for each class: one at least for each that has a share, the rest by largest remainders."""
    shares = {name: share for name, share in mix.shares.items() if share > 0}
    if items > ITEMS_MAX:
        raise QuizError(f"{items} plates are more than one paper takes; ask for {ITEMS_MAX} at most")
    if items < len(shares):
        raise QuizError(
            f"{_plates(items)} cannot represent {len(shares)} contrast classes; ask for {len(shares)} or more"
        )
    rest = items - len(shares)
    exact = {name: share * rest for name, share in shares.items()}
    found = {name: 1 + int(number) for name, number in exact.items()}
    by_remainder = sorted(exact, key=lambda name: int(exact[name]) - exact[name])
    for name in by_remainder[: items - sum(found.values())]:
        found[name] += 1
    return found


def _draw_ids(library: Library, key: Key) -> Iterator[str]:
    """Ids without end, none twice: the same for the same key of one library, and however its trainee is spelled."""
    of_key = key.model_copy(update={"trainee": folded(key.trainee)}).model_dump(mode="json")
    lots = random.Random(hmac.digest(load_secret(library), canonical_json(of_key), "sha256"))
    drawn: set[str] = {UNDRAWN}
    while True:
        id = "".join(lots.choices(ID_ALPHABET, k=ID_LENGTH))
        if id not in drawn:
            drawn.add(id)
            yield id


def _show_windows(library: Library, example: Example) -> list[dict[str, Any]]:
    """What the page shows of an example."""
    try:
        strips = library.pictures.strips(example)
    except LinecallError as error:
        raise QuizError(f"example {example.id} ({example.photo.name}) was drawn, but its {error}") from error
    return [
        {
            "window": window.id,
            "picture": png(as_photographed(strips[window.id])),
            "lower": "indicator" if indicator_is_upstream(window) else "reference",
            "indicator": list(CALLS_OF["indicator"]),
            "reference": list(CALLS_OF["reference"]),
        }
        for window in example.verdict.windows
    ]


def _key_item(example: Example, marks: Sequence[StoredMark]) -> KeyItem:
    """An example's part of the key, whose id is yet to be drawn."""
    return KeyItem(
        item=UNDRAWN,
        example=example.id,
        photo_sha256=example.photo.sha256,
        marks=tuple(
            KeyMark.model_validate(
                {"window": mark.window, "mark": mark.mark, "strength": mark.strength, "call": mark.consensus}
            )
            for mark in marks
        ),
    )


def indicator_is_upstream(window: WindowRecord) -> bool:
    """Whether the flow reaches the indicator mark first."""
    return (window.indicator.expected_mm or 0.0) <= (window.reference.expected_mm or 0.0)


def _record(settings: SettingsFile) -> SettingsRecord:
    return SettingsRecord(name=settings.name, revision=settings.revision, sha256=settings.sha256)
