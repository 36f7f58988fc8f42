"""Languages that a site adds: a PO file each in the station's folder, checked once at the start.

A text of a file is shown only where a person has reviewed it as it now stands in English: entries marked `fuzzy`, and
those whose English has changed since, are shown in English, as are those that lack a value or have one too many. A
file whose header names no reviewer (`X-Reviewed-By`) is checked and reported, but offered to nobody.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path
from typing import Final

from babel import Locale, UnknownLocaleError
from babel.core import negotiate_locale
from babel.messages.catalog import Catalog, Message
from babel.messages.plurals import get_plural
from babel.messages.pofile import PoFileError, read_po, write_po

from reader.files.plain import read_plain
from reader.refusals import PROSE
from reader.station.texts import FILLED, Texts, english, names_in, page_texts
from reader.version import VERSION
from reader.words import tidy

FOLDER: Final = "texts"
"""Below the station's own folder."""
COOKIE: Final = "linecall_language"
BYTES_MAX: Final = 4_000_000
NAMED_MAX: Final = 20  # problems that are named one by one
TRIED: Final = range(1001)
"""Numbers that a file's plural rule is tried on."""
REVIEWER: Final = re.compile(r'^"X-Reviewed-By: *([^"\\]*?) *(?:\\n)?"$', re.MULTILINE)
MARKUP: Final = re.compile(r"<[/!?a-zA-Z]|&(?:[a-zA-Z]+|#\w+);")
CONTROLS: Final = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]")
"""Control characters, and those that turn the direction of what follows: they could make a text say its opposite."""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Report:
    """What was found in one file. texts : None where it cannot be read at all.

    missing, unreviewed, changed : codes of texts that are shown in English, as they lack, are marked fuzzy, or their
    English has changed. refused : codes and why. markup : codes of texts that look like markup; they are shown as text.
    """

    file: str
    texts: Texts | None = None
    name: str = ""
    reviewer: str = ""
    problem: str = ""
    n: int = 0
    missing: tuple[str, ...] = ()
    unreviewed: tuple[str, ...] = ()
    changed: tuple[str, ...] = ()
    refused: tuple[tuple[str, str], ...] = ()
    markup: tuple[str, ...] = ()
    catalog: Catalog | None = None

    @property
    def is_offered(self) -> bool:
        """Whether people may choose it."""
        return self.texts is not None and bool(self.reviewer)

    def lines(self) -> list[str]:
        """What the start says of it."""
        if self.problem:
            return [f"{self.file}: {self.problem}"]
        english_shown = len(self.missing) + len(self.unreviewed) + len(self.changed) + len(self.refused)
        said = [
            f"{self.file}: {self.name}, {self.n} texts"
            + (f"; {english_shown} are shown in English" if english_shown else "")
        ]
        if not self.reviewer:
            said.append(
                f"{self.file}: not offered: its header has no X-Reviewed-By with who has checked that each text "
                "says what the English one says"
            )
        said += [f"{self.file}: {code}: {why}" for code, why in self.refused[:NAMED_MAX]]
        return said


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Languages:
    """The languages of a station: English, and those of the site's files."""

    reports: tuple[Report, ...] = ()

    @property
    def offered(self) -> Mapping[str, Texts]:
        """Languages to choose from by their tags, English first."""
        own = [one.texts for one in self.reports if one.is_offered and one.texts is not None]
        return {texts.language: texts for texts in (english(), *own)}

    def choose(self, chosen: str | None, accepted: str) -> Texts:
        """What a browser is answered in: as its person chose, else as it accepts (RFC 9110, 12.5.4), else English."""
        offered = self.offered
        if chosen in offered:
            return offered[str(chosen)]
        found = negotiate_locale(_preferred(accepted), list(offered), sep="-")
        return offered.get(found or "", english())


def _preferred(accepted: str) -> list[str]:
    """Tags of an Accept-Language header, the most wanted first."""
    wanted = []
    for place, part in enumerate(accepted[:1000].split(",")):
        tag, _, weight = part.strip().partition(";")
        try:
            q = float(weight.strip().removeprefix("q=") or 1)
        except ValueError:
            continue
        if re.fullmatch(r"[A-Za-z]{2,3}(-[A-Za-z0-9]{2,8})*", tag.strip()) and q > 0:
            wanted.append((-q, place, tag.strip()))
    return [tag for _, _, tag in sorted(wanted)]


def name_of(texts: Texts) -> str:
    """A language's name in itself."""
    name = texts.locale.get_display_name(texts.locale) or texts.language
    return str(name[0].upper() + name[1:])


# --- reading --------------------------------------------------------------------------------------------------------


def load_languages(folder: Path) -> Languages:
    """Every PO file in the station's folder of texts, in the order of their names; none where there is no folder."""
    place, reports, seen = folder / FOLDER, [], {"en"}
    for path in sorted(place.glob("*.po")) if place.is_dir() else ():
        report = read_language(path)
        tag = None if report.texts is None else report.texts.language
        if tag in seen:
            why = f"is in {tag}, which there is already; keep one file a language"
            report = Report(file=path.name, problem=why)
        seen |= {tag} if tag else set()
        reports.append(report)
    return Languages(reports=tuple(reports))


def read_language(path: Path) -> Report:
    """A site's own language from a PO file; whatever is wrong with it is said in the report."""
    try:
        data = read_plain(path, limit=BYTES_MAX + 1)
        if len(data) > BYTES_MAX:
            return Report(file=path.name, problem=f"has more than {BYTES_MAX} bytes")
        written = data.decode("utf-8-sig")
        catalog = read_po(BytesIO(written.encode()), abort_invalid=True, charset="utf-8")
        locale, plural = catalog.locale, _plural_of(catalog)
    except OSError as error:
        return Report(file=path.name, problem=f"cannot be read: {error.strerror or error}")
    except (PoFileError, UnknownLocaleError, ValueError, RecursionError, LookupError) as error:
        problem = f"is no PO file that can be used ({tidy(str(error))[:200]}); begin from the keeper's page"
        return Report(file=path.name, problem=problem)
    if locale is None:
        return Report(file=path.name, problem="its header names no language; write Language: such as de")
    return _checked(path.name, catalog, locale, plural, _reviewer(written))


def _reviewer(written: str) -> str:
    found = REVIEWER.search(written[:20_000])
    return tidy(found[1])[:200] if found else ""


def _plural_of(catalog: Catalog) -> "_Plural":
    """The file's own plural rule. Raises ValueError for one that names no form, or not for every number."""
    from gettext import c2py

    plural, n_forms = c2py(catalog.plural_expr), catalog.num_plurals
    try:
        found = tuple(int(plural(n)) for n in TRIED)
    except (ArithmeticError, TypeError) as error:
        raise ValueError(f"its plural rule fails: {error}") from None
    if not all(0 <= form < n_forms for form in found):
        raise ValueError(f"its plural rule gives a form that is none of its {n_forms}")
    return _Plural(form_of=found, n_forms=n_forms)


@dataclass(frozen=True, kw_only=True, slots=True)
class _Plural:
    """Which form a number takes; beyond those tried, as gettext's rules repeat by the hundred."""

    form_of: tuple[int, ...]
    n_forms: int

    def __call__(self, n: int) -> int:
        n = abs(n)
        return self.form_of[n if n < len(self.form_of) else 100 + n % 100 + 800]

    def stands_for_one(self, form: int) -> bool:
        """Whether a form is that of one number alone, so that it need not name it."""
        return self.form_of.count(form) == 1


def _checked(file: str, catalog: Catalog, locale: Locale, plural: _Plural, reviewer: str) -> Report:
    texts = english()
    good: dict[str, tuple[str, ...]] = {}
    unreviewed, changed, markup, refused = [], [], [], []
    for message in catalog:
        if not message.id:
            continue
        code = message.context or ""
        forms = _forms(message)
        if code not in texts.by_code:
            refused.append((tidy(code)[:80] or "an entry without msgctxt", "is not the code of a text"))
        elif not any(forms):
            continue
        elif message.fuzzy:
            unreviewed.append(code)
        elif _ids(message) != source_of(code):
            changed.append(code)
        elif (why := _wrong(code, forms, plural)) is not None:
            refused.append((code, why))
        else:
            good[code] = forms
            if any(MARKUP.search(form) for form in forms):
                markup.append(code)
    told = {*good, *unreviewed, *changed, *(code for code, _ in refused)}
    found = Texts(
        language=str(locale).replace("_", "-"),
        right_to_left=locale.text_direction == "rtl",
        by_code={**texts.by_code, **good},
        plural=plural,
        locale=locale,
        specs=texts.specs,
    )
    return Report(
        file=file,
        texts=found,
        name=name_of(found),
        reviewer=reviewer,
        n=len(good),
        missing=tuple(code for code in texts.by_code if code not in told),
        unreviewed=tuple(unreviewed),
        changed=tuple(changed),
        refused=tuple(refused),
        markup=tuple(markup),
        catalog=catalog,
    )


def _forms(message: Message) -> tuple[str, ...]:
    return (message.string,) if isinstance(message.string, str) else tuple(message.string or ())


def _ids(message: Message) -> tuple[str, ...]:
    return (message.id,) if isinstance(message.id, str) else tuple(message.id)


def source_of(code: str) -> tuple[str, ...]:
    """What a text's entry has as msgid, and as msgid_plural where it has plural forms."""
    forms = english().by_code[code]
    counts = code not in page_texts() and "{n}" in forms[0]  # English has one form, other languages have more
    return (forms[0], forms[-1]) if len(forms) > 1 or counts else forms


def _wrong(code: str, forms: Sequence[str], plural: _Plural) -> str | None:
    """What is wrong with a text; None for one that may be shown."""
    if not all(form.strip() for form in forms):
        return "one of its plural forms is empty"
    if len(source_of(code)) > 1 and len(forms) != plural.n_forms:
        return f"has {len(forms)} plural forms, but the header says {plural.n_forms}"
    asked = frozenset().union(*(names_in(form) for form in english().by_code[code]))
    for number, form in enumerate(forms):
        rest = FILLED.sub("", form)
        if "{" in rest or "}" in rest or any(spec for _, spec in FILLED.findall(form)):
            return "has braces that are no {name}"
        if CONTROLS.search(form):
            return "has control characters"
        names = names_in(form)
        if names - asked:
            return f"fills in {{{min(names - asked)}}}, which the English text does not"
        needed = asked - PROSE if code.startswith("refusal.") else asked
        if "n" in needed and len(forms) > 1 and plural.stands_for_one(number):
            needed -= {"n"}
        if needed - names:
            return f"leaves out {{{min(needed - names)}}}"
    return None


# --- writing --------------------------------------------------------------------------------------------------------


def template(language: str, begun: Report | None = None) -> bytes:
    """A PO file to translate into a language, with what a file has so far; what is not as it stood is marked fuzzy.

    Raises UnknownLocaleError, ValueError for a tag that names no language.
    """
    locale, plural = Locale.parse(language, sep="-"), get_plural(Locale.parse(language, sep="-"))
    old = {} if begun is None or begun.catalog is None else _by_code(begun.catalog)
    wrong = set() if begun is None else {code for code, _ in begun.refused}
    n_forms, rule = plural.num_plurals, plural.plural_expr
    if begun is not None and begun.catalog is not None:
        n_forms, rule = begun.catalog.num_plurals, begun.catalog.plural_expr
    catalog = Catalog()
    for code in english().by_code:
        source, before = source_of(code), old.get(code)
        kept = () if before is None else _forms(before)
        is_doubtful = before is not None and (before.fuzzy or _ids(before) != source or code in wrong)
        flags = {"fuzzy"} if any(kept) and is_doubtful else set()
        if len(source) > 1:
            catalog.add(source, (*kept, *[""] * n_forms)[:n_forms], context=code, flags=flags)
        else:
            catalog.add(source[0], kept[0] if kept else "", context=code, flags=flags)
    into = BytesIO()
    write_po(into, catalog, omit_header=True, width=0)
    reviewer = "" if begun is None else begun.reviewer
    header = HEADER.format(
        version=VERSION, language=locale, forms=n_forms, rule=rule, reviewer=reviewer.replace('"', "'")
    )
    return header.encode() + into.getvalue()


HEADER: Final = """\
# Texts of linecall's pages in another language. Translate msgid (the English text) into msgstr; leave msgctxt (the
# text's code) as it is. Each {{name}} in braces is filled in and must stand in the translation too, once or more; in
# codes that begin with refusal. {{why}}, {{found}}, {{far}}, {{odd}}, {{alone}} and {{left}} are English words and
# may be left out. What is fuzzy or empty is shown in English.
# People act on these texts when fuel is released or held. Somebody who speaks the language and knows the work must
# check that every text says what the English one says; only with their name at X-Reviewed-By is the language offered.
# Save it as texts/{language}.po in the station's folder, and start the station again.
msgid ""
msgstr ""
"Project-Id-Version: linecall {version}\\n"
"Language: {language}\\n"
"MIME-Version: 1.0\\n"
"Content-Type: text/plain; charset=utf-8\\n"
"Content-Transfer-Encoding: 8bit\\n"
"Plural-Forms: nplurals={forms}; plural={rule};\\n"
"X-Reviewed-By: {reviewer}\\n"

"""


def _by_code(catalog: Catalog) -> dict[str, Message]:
    return {message.context: message for message in catalog if message.id and message.context}
