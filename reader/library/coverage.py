"""What the library has of each kind of mark and what is thin, and the photos most worth taking next."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

from reader.library.consensus import possible_grades
from reader.library.examples import MARKS, UNSTATED
from reader.library.filters import EVERYTHING, Filters
from reader.library.store import Library
from reader.library.strength import STRENGTHS, Strength
from reader.settings.values import Layout, Rules
from reader.words import GRADES, Call, MarkKey, MarkName
from reader.words.sayings import Items, Said, Sayings

ENOUGH: Final = 10  # indicator marks of a kind, where nothing else is asked for (common practice, no source)
NEXT: Final = 10  # photos that are named
WORTH: Final[dict[Strength, float]] = {
    "very faint": 1.0,
    "faint": 0.9,
    "none": 0.8,
    "weak": 0.5,
    "strong": 0.3,
}
"""How much a missing mark of a class is worth: faint against absent is what the job turns on (no source)."""
GRADE_WORTH: Final = {"negligible": 1.0, "moderate": 1.0, "heavy": 1.0, "invalid": 0.3}
"""Of a plate of a grade: one that did not work teaches its reference marks, hardly its indicator marks (no source)."""
SAYS: Final = Sayings(
    "worth_taking",
    {
        "in_light": "a {layout} plate graded {grade}, in the light {light}; indicator marks wanted: {marks}",
        "in_any_light": "a {layout} plate graded {grade}, in a light that its label names; indicator marks wanted: "
        "{marks}",
        "mark": "{strength} ({n} of {enough})",
    },
)
CLASSES: Final[tuple[Strength, ...]] = tuple(strength for strength in STRENGTHS if strength in WORTH)


@dataclass(frozen=True, kw_only=True, slots=True)
class Cell:
    """Indicator marks of one class, on plates of one layout and grade, in one light; `enough` are wanted."""

    layout: str
    light: str
    grade: str
    strength: Strength
    n: int
    enough: int

    @property
    def thin(self) -> bool:
        """Whether there are fewer than are wanted."""
        return self.n < self.enough


@dataclass(frozen=True, kw_only=True, slots=True)
class WorthTaking:
    """A photo worth taking: of what plate, in what light, with which marks, of which there are too few."""

    layout: str
    light: str
    grade: str
    lacks: tuple[Cell, ...]

    @property
    def said(self) -> Said:
        """One line."""
        marks = [SAYS("mark", strength=cell.strength, n=cell.n, enough=cell.enough) for cell in self.lacks]
        code = "in_any_light" if self.light == UNSTATED else "in_light"
        return SAYS(code, layout=self.layout, grade=self.grade, light=self.light, marks=Items(marks))

    def __str__(self) -> str:
        """`said`, in English."""
        return str(self.said)


@dataclass(frozen=True, kw_only=True, slots=True)
class Coverage:
    """Every kind of mark that can be, over the layouts and lights that the library has, and what is worth taking.

    without_grade : indicator marks of examples without a grade of their graders', or an undecided one, that no
    cell counts; unmeasured : those without a height. plates_to_ask : that a quiz may ask for, to_ask : of these, by
    class, those with such an indicator mark; nobody is asked for a plate of which they graded a photo.
    """

    cells: tuple[Cell, ...]
    next_photos: tuple[WorthTaking, ...]
    examples: int
    without_grade: int
    unmeasured: int
    plates_to_ask: int
    to_ask: Mapping[str, int]

    @property
    def thin(self) -> tuple[Cell, ...]:
        """The cells with fewer marks than are wanted."""
        return tuple(cell for cell in self.cells if cell.thin)


def coverage(
    library: Library, filters: Filters = EVERYTHING, *, enough: int = ENOUGH, photos: int = NEXT
) -> Coverage:
    """Count the library's indicator marks by contrast class, grade, light and layout.

    enough : how many of a kind are wanted. photos : how many to name that are worth taking.
    """
    rules = library.settings.rules
    layouts = {layout.name: layout for layout in library.settings.layouts()}
    found: dict[tuple[str, str, str, Strength], int] = {}
    places: dict[tuple[str, str], None] = {}
    without_grade = unmeasured = 0
    for layout, light, grade, by_class in library.class_counts(filters):
        places[layout, light] = None
        unmeasured += by_class["unmeasured"]
        if grade not in GRADES:
            without_grade += sum(by_class[strength] for strength in CLASSES)
            continue
        for strength in CLASSES:
            found[layout, light, grade, strength] = by_class[strength]
    plates_to_ask, to_ask = library.askable.count_plates(filters)
    can_be = {name: _possible(layouts[name], rules) for name in dict.fromkeys(name for name, _ in places)}
    cells = tuple(
        Cell(
            layout=layout,
            light=light,
            grade=grade,
            strength=strength,
            n=found.get((layout, light, grade, strength), 0),
            enough=enough,
        )
        for layout, light in places
        for grade in GRADES
        for strength in CLASSES
        if (grade, strength) in can_be[layout] or found.get((layout, light, grade, strength))
    )
    return Coverage(
        cells=cells,
        next_photos=tuple(
            _worth_taking(cells, {name: len(layout.window) for name, layout in layouts.items()}, photos)
        ),
        examples=library.count(filters),
        without_grade=without_grade,
        unmeasured=unmeasured,
        plates_to_ask=plates_to_ask,
        to_ask={strength: to_ask[strength] for strength in CLASSES},
    )


def _possible(layout: Layout, rules: Rules) -> set[tuple[str, Strength]]:
    """Which classes an indicator mark can have on a plate of a grade: a negligible one cannot lack a line."""
    found: set[tuple[str, Strength]] = set()
    indicator: MarkName = MARKS[0]
    calls: tuple[Call, ...] = ("present", "absent")
    for window in {window.tier: window for window in layout.window}.values():  # rules tell no others apart
        for call in calls:
            key: MarkKey = (window.id, indicator)
            classes: Sequence[Strength] = ("none",) if call == "absent" else CLASSES[:-1]
            for grade in possible_grades({key: call}, layout, rules):
                found.update((grade, strength) for strength in classes)
    return found


def _worth_taking(cells: Sequence[Cell], windows: Mapping[str, int], photos: int) -> Iterator[WorthTaking]:
    """Plates with most to gain, each counted as taken before the next is named; a window shows one mark."""
    kinds: dict[tuple[str, str, str], list[Cell]] = {}
    for cell in cells:
        kinds.setdefault((cell.layout, cell.light, cell.grade), []).append(cell)
    for _ in range(photos):
        best: tuple[float, list[int]] = (0.0, [])
        chosen = None
        for kind, own in kinds.items():  # of equals the first: layouts, lights and grades have an order
            gains = [WORTH[cell.strength] * (1 - cell.n / cell.enough) if cell.thin else 0.0 for cell in own]
            shown = sorted(range(len(own)), key=lambda k: -gains[k])[: windows[kind[0]]]
            shown = sorted(k for k in shown if gains[k] > 0)
            gain = GRADE_WORTH[kind[2]] * sum(gains[k] for k in shown)
            if gain > best[0]:
                best, chosen = (gain, shown), kind
        if chosen is None:
            return
        own = kinds[chosen]
        layout, light, grade = chosen
        yield WorthTaking(layout=layout, light=light, grade=grade, lacks=tuple(own[k] for k in best[1]))
        for k in best[1]:
            own[k] = replace(own[k], n=own[k].n + 1)
