"""Sentences by code: a table of templates, and one of them with what is filled in, for pages in another language.

`SAYS = Sayings("sheet", {"rest": "{n} others"})`, then `str(SAYS("rest", n=2))` is English.
"""

from collections.abc import Mapping
from dataclasses import dataclass

from reader.words import listed


class OneOf(tuple[object, ...]):
    """Words of which one holds, as a sentence lists them: a, b or c."""


class Items(tuple[object, ...]):
    """Things named one after the other, with commas between them."""


class Parts(tuple[object, ...]):
    """Parts of a sentence, with semicolons between them."""


@dataclass(frozen=True, slots=True)
class Said:
    """A sentence, by its code in its group, as a str.format template and its values; `str` gives it in English.

    A value that is a tuple is a list of words, or of what was said.
    """

    group: str
    code: str
    template: str
    values: Mapping[str, object]

    def __str__(self) -> str:
        """It in English."""
        return self.template.format(**{name: _in_english(value) for name, value in self.values.items()})


def _in_english(value: object) -> object:
    if isinstance(value, Items | Parts):
        return (", " if isinstance(value, Items) else "; ").join(map(str, value))
    if isinstance(value, tuple):
        return listed(list(map(str, value)), "or" if isinstance(value, OneOf) else "and")
    return value


@dataclass(frozen=True, slots=True)
class Sayings:
    """A group's templates by their codes; called with a code, it says one."""

    group: str
    texts: Mapping[str, str]

    def __call__(self, code: str, **values: object) -> Said:
        """The sentence of a code. Raises KeyError for no code."""
        return Said(self.group, code, self.texts[code], values)
