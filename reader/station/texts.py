"""All words of the station's pages, by code, from one catalogue (gettext's PO); a site may add a language.

A text's code is its msgid, such as `today.title`; `{name}` in it is filled in. What another language lacks is shown
in English, as a safety text half translated is better than none.
"""

from dataclasses import dataclass
from functools import cache
from pathlib import Path
from string import Formatter
from typing import Final

from babel.messages.catalog import Catalog
from babel.messages.pofile import PoFileError, read_po

from reader.errors import LinecallError
from reader.files.bundled import DATA
from reader.files.plain import open_plain

ENGLISH: Final = DATA / "station" / "texts" / "en.po"


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Texts:
    """A language: its tag (BCP 47), whether it runs from right to left, and its texts by code."""

    language: str
    right_to_left: bool
    by_code: dict[str, tuple[str, ...]]
    catalog: Catalog

    def __call__(self, code: str, n: int | None = None, **values: object) -> str:
        """The text of a code, filled in. n : chooses the plural, and fills in `{n}`. Raises KeyError for no code."""
        forms = self.by_code[code]
        form = forms[min(self._plural(n), len(forms) - 1)] if n is not None else forms[0]
        return form.format(n=n, **values) if "{" in form else form

    def _plural(self, n: int) -> int:
        from gettext import c2py

        from babel.messages.plurals import get_plural

        rule = get_plural(self.catalog.locale).plural_expr
        return c2py(rule)(n)


@cache
def english() -> Texts:
    """The texts that linecall brings."""
    return _read(ENGLISH, {})


def load_language(path: Path) -> Texts:
    """A site's own language, from a PO file whose header names it.

    Raises LinecallError for a file that is none, a code that is not known, or a text that fills in other names than
    the English one.
    """
    return _read(path, english().by_code)


def _read(path: Path, known: dict[str, tuple[str, ...]]) -> Texts:
    try:
        with open_plain(path) as file:
            catalog = read_po(file, abort_invalid=True)
    except (PoFileError, ValueError) as error:
        raise LinecallError(f"{path}: is no PO file that can be read: {error}; see the English one") from None
    except OSError as error:
        raise LinecallError(f"{path}: cannot be read: {error.strerror}") from None
    if catalog.locale is None:
        raise LinecallError(f"{path}: its header names no language; write Language: such as fr")
    found: dict[str, tuple[str, ...]] = {}
    for message in catalog:
        if not message.id:
            continue
        code = message.id if isinstance(message.id, str) else message.id[0]
        forms = (message.string,) if isinstance(message.string, str) else tuple(message.string or ())
        if not forms or not all(forms):
            continue
        if known:
            _check(path, code, forms, known)
        found[code] = forms
    return Texts(
        language=str(catalog.locale).replace("_", "-"),
        right_to_left=catalog.locale.text_direction == "rtl",
        by_code={**known, **found},
        catalog=catalog,
    )


def _check(path: Path, code: str, forms: tuple[str, ...], known: dict[str, tuple[str, ...]]) -> None:
    if code not in known:
        raise LinecallError(
            f"{path}: {code} is not a text of the station; see the English file for those there are"
        )
    expected = {name for form in known[code] for name in names_in(form)}
    for form in forms:
        other = names_in(form) ^ expected if len(known[code]) == 1 else names_in(form) - expected
        if other:
            raise LinecallError(f"{path}: {code} differs from the English text in {{{sorted(other)[0]}}}")


def names_in(text: str) -> set[str]:
    """Names that a text fills in. Raises LinecallError for braces that do not match."""
    try:
        return {name for _, name, _, _ in Formatter().parse(text) if name is not None}
    except ValueError as error:
        raise LinecallError(f"{text!r}: {error}") from None
