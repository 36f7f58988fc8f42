"""All words of the station's pages, by code: those of the pages from one catalogue (gettext's PO), and the reader's own
from the tables that it makes its sentences of. So English stands once, and `languages` adds what a site brings.

A text's code is such as `today.title`; `{name}` in it is filled in.
"""

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from functools import cache
from typing import TYPE_CHECKING, Final

from babel import Locale
from babel.dates import format_date, format_skeleton
from babel.lists import format_list
from babel.messages.pofile import read_po
from babel.numbers import format_decimal, format_percent

from reader.files.bundled import DATA
from reader.words import listed

if TYPE_CHECKING:
    from babel.messages.catalog import Catalog

ENGLISH: Final = DATA / "station" / "texts" / "en.po"
FILLED: Final = re.compile(r"\{(\w+)(?::([^{}]*))?\}")
"""A place that is filled in, and how a number is written there (only in the reader's own texts)."""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Texts:
    """A language: its tag (BCP 47), whether it runs from right to left, and its texts by code.

    plural : which form a number takes. specs : how the reader writes numbers, by code and name, such as `.4f`.
    """

    language: str
    right_to_left: bool
    by_code: Mapping[str, tuple[str, ...]]
    plural: Callable[[int], int]
    locale: Locale
    specs: Mapping[str, Mapping[str, str]] = field(default_factory=dict)

    @property
    def is_english(self) -> bool:
        """Whether these are the texts that linecall brings, so that the reader's sentences stand as they are."""
        return self is english()

    def __call__(self, code: str, n: int | None = None, **values: object) -> str:
        """The text of a code, filled in. n : chooses the plural, and fills in `{n}`. Raises KeyError for no code."""
        return self.filled(code, values if n is None else {"n": n, **values}, n)

    def filled(self, code: str, values: Mapping[str, object], n: int | None = None) -> str:
        """The text of a code with its values. Raises KeyError for no code, or a value that is not there."""
        specs = self.specs.get(code, {})
        return FILLED.sub(
            lambda place: self.written(values[place[1]], specs.get(place[1], "")), self.form(code, n)
        )

    def form(self, code: str, n: int | None = None) -> str:
        """The text of a code with its places open."""
        forms = self.by_code[code]
        return forms[0] if n is None else forms[min(self.plural(n), len(forms) - 1)]

    def written(self, value: object, spec: str = "") -> str:
        """A value as this language writes it; spec : of `format`, fixed decimals or percent."""
        if not isinstance(value, int | float) or isinstance(value, bool):
            return str(value)
        if self.language == "en":
            return format(value, spec)
        decimals = len(str(value).partition(".")[2]) if not spec else int(spec.strip(".f%") or 0)
        pattern = "0" + f".{'0' * decimals}" * bool(decimals)
        if spec.endswith("%"):
            return str(format_percent(value, format=f"{pattern}%", locale=self.locale))
        return str(format_decimal(value, format=pattern, locale=self.locale))

    def named(self, group: str, word: str) -> str:
        """A word that linecall brings, such as an analyte's name; another one as it is."""
        code = f"{group}.{word}"
        return self(code) if code in self.by_code else word

    def listed(self, names: list[str], joint: str = "and") -> str:
        """Names as a sentence lists them; joint : `and` or `or`."""
        if self.language == "en":
            return listed(names, "or" if joint == "or" else "and")
        return str(format_list(names, "or" if joint == "or" else "standard", locale=self.locale))

    def day(self, moment: date) -> str:
        """A day by its date; in English as ISO 8601 has it, which nobody misreads."""
        return (
            f"{moment:%Y-%m-%d}"
            if self.language == "en"
            else str(format_date(moment, "medium", locale=self.locale))
        )

    def clock(self, moment: datetime) -> str:
        """A time of day, of 24 hours."""
        return (
            f"{moment:%H:%M}"
            if self.language == "en"
            else str(format_skeleton("Hm", moment, locale=self.locale))
        )

    def moment(self, moment: datetime) -> str:
        """A day and a time of day."""
        return f"{self.day(moment)} {self.clock(moment)}"


@cache
def english() -> Texts:
    """The texts that linecall brings: the pages' and the reader's."""
    from reader.station.reader_texts import reader_texts

    open_texts: dict[str, tuple[str, ...]] = dict(page_texts())
    specs: dict[str, dict[str, str]] = {}
    for code, text in reader_texts().items():
        assert code not in open_texts, f"{code} is a text of the pages and of the reader"
        open_texts[code] = (FILLED.sub(r"{\1}", text),)
        specs[code] = {name: spec for name, spec in FILLED.findall(text) if spec}
    return Texts(
        language="en",
        right_to_left=False,
        by_code=open_texts,
        plural=lambda n: int(n != 1),
        locale=Locale("en"),
        specs=specs,
    )


@cache
def page_texts() -> Mapping[str, tuple[str, ...]]:
    """The English texts of the pages alone, by code."""
    with ENGLISH.open("rb") as file:
        return forms_of(read_po(file, abort_invalid=True))


def forms_of(catalog: "Catalog") -> dict[str, tuple[str, ...]]:
    """The texts of a catalogue whose ids are codes."""
    found: dict[str, tuple[str, ...]] = {}
    for message in catalog:
        code = message.id if isinstance(message.id, str) else message.id[0]
        forms = (message.string,) if isinstance(message.string, str) else tuple(message.string or ())
        if code and forms and all(forms):
            found[code] = forms
    return found


def names_in(text: str) -> frozenset[str]:
    """Names that a text fills in."""
    return frozenset(name for name, _ in FILLED.findall(text))
