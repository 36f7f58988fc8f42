"""What the reader says, in a page's language: by the codes that a verdict carries, else by the template of a sentence.

A sentence that none of the reader's templates makes was written by people, or by another version of linecall; it stays
as it is.
"""

import re
from collections.abc import Callable, Mapping
from functools import cache
from typing import Final

from reader.refusals import FLAGS
from reader.station.texts import FILLED, Texts, english
from reader.verdict import in_words
from reader.verdict.model import Mark, ReasonRecord, Verdict
from reader.words.sayings import Items, OneOf, Parts, Said

LONGEST: Final = 2000
"""Characters of a sentence that is looked at; the reader's own have a few hundred."""
NUMBERS: Final = frozenset({"first", "last", "minutes", "hours", "days", "n", "amount", "asked"})
PARTS: Final[Mapping[str, tuple[str, ...]]] = {
    "found": ("age", "found"),
    "why": ("age",),
    "what": ("decided", "expiry", "departure", "found"),
    "kind": ("departure",),
    "because": ("rule",),
    "analyte": ("analyte",),
    "grade": ("graded",),
    "span": ("span",),
    "wait": ("span",),
    "limit": ("span",),
    "until": ("expiry",),
    "when": ("expiry", "due"),
    "ago": ("due",),
    "task": ("due",),
    "reason": ("due",),
    "time": ("second",),
    "remedy": ("refusal",),
    "unit": ("unit",),
    "mark": ("mark",),
    "step": ("step_name",),
    "other_step": ("step_name",),
}
"""Groups of texts that may stand in a place, by the place's name."""


WORDS: Final[Mapping[str, str]] = {
    "call": "call",
    "calls": "call",
    "mark": "mark",
    "tier": "tier",
    "dye": "dye",
    "analyte": "analyte",
    "grade": "graded",
    "grade_now": "graded",
    "grades": "graded",
    "strength": "class",
    "step": "step_name",
    "other_step": "step_name",
    "phases": "phase_name",
    "roles": "role",
    "wanted": "role",
}
"""The group that a word in a place is of, by the place's name."""
SENTENCES: Final[Mapping[str, Callable[[Texts, str], str]]] = {
    "age": lambda texts, sentence: age(texts, sentence),
    "next_step": lambda texts, sentence: next_steps(texts, sentence),
    "departure": lambda texts, sentence: departure(texts, sentence),
    "refused": lambda texts, sentence: told(texts, sentence, "refusal"),
    "remedy": lambda texts, sentence: told(texts, sentence, "refusal"),
}
"""How the reader's sentence in a place is told, by the place's name."""


def say(texts: Texts, said: Said) -> str:
    """What the reader says by a code, in a page's language."""
    if texts.is_english:
        return str(said)
    values = {name: _value(texts, name, value) for name, value in said.values.items()}
    n = values.get("n")
    return texts.filled(f"{said.group}.{said.code}", values, n if isinstance(n, int) else None)


def _value(texts: Texts, name: str, value: object) -> object:
    if isinstance(value, Said):
        return say(texts, value)
    if isinstance(value, tuple):
        parts = [str(_value(texts, name, one)) for one in value]
        if isinstance(value, Items | Parts):
            return (", " if isinstance(value, Items) else "; ").join(parts)
        return texts.listed(parts, "or" if isinstance(value, OneOf) else "and")
    if isinstance(value, str) and name in SENTENCES:
        return SENTENCES[name](texts, value)
    if isinstance(value, str) and name in WORDS:
        return texts.named(WORDS[name], value)
    return value


def problem(texts: Texts, error: Exception) -> tuple[str, bool]:
    """What an error says, and whether in the page's language; what has no code stands as it is, in English."""
    said = error.args[0] if error.args else None
    return (say(texts, said), True) if isinstance(said, Said) else (str(error), texts.is_english)


def told(texts: Texts, sentence: str, *groups: str) -> str:
    """A sentence of the reader's in a page's language, where a template of these groups makes it; else as it is."""
    if texts.is_english or len(sentence) > LONGEST:
        return sentence
    for group in groups:
        for code, pattern in _patterns(group):
            found = pattern.fullmatch(sentence)
            if found is not None:
                return _filled(texts, code, found.groupdict())
    return sentence


@cache
def _patterns(group: str) -> tuple[tuple[str, re.Pattern[str]], ...]:
    """Templates of a group as patterns, those with most words of their own first."""
    texts = [(code, forms[0]) for code, forms in english().by_code.items() if code.startswith(f"{group}.")]
    own = sorted(texts, key=lambda text: -len(FILLED.sub("", text[1])))
    return tuple((code, _pattern(text)) for code, text in own)


def _pattern(template: str) -> re.Pattern[str]:
    parts, at, seen = [], 0, set()
    for place in FILLED.finditer(template):
        name = place[1]
        parts.append(re.escape(template[at : place.start()]))
        if name in seen:
            parts.append(f"(?P={name})")
        else:
            parts.append(rf"(?P<{name}>{'[-+]?[0-9.]+' if name in NUMBERS else '.*?'})")
        seen.add(name)
        at = place.end()
    return re.compile("".join([*parts, re.escape(template[at:])]), re.DOTALL)


def _filled(texts: Texts, code: str, found: Mapping[str, str]) -> str:
    values: dict[str, object] = {name: _part(texts, name, value) for name, value in found.items()}
    number = found.get("n", "")
    return texts.filled(code, values, int(number) if number.isdecimal() else None)


def _part(texts: Texts, name: str, value: str) -> object:
    if name in NUMBERS:
        return float(value) if "." in value else int(value)
    if name == "windows":
        return _windows(texts, value)
    if name == "analytes":
        return _list(texts, value, "analyte")
    if name == "how":
        return "; ".join(told(texts, part, "second") for part in value.split("; "))
    if name == "remedy" and value:
        small = told(texts, value[0].lower() + value[1:], "refusal")
        return small[0].upper() + small[1:]
    return told(texts, value, *PARTS.get(name, ()))


def _list(texts: Texts, value: str, group: str) -> str:
    names = re.split(r", | and | or ", value)
    joint = "or" if " or " in value else "and"
    return texts.listed([told(texts, name, group) for name in names], joint)


def _windows(texts: Texts, value: str) -> str:
    """`window 2`, `windows 2 and 3`, as rules and refusals name them."""
    head, _, ids = value.partition(" ")
    if head not in ("window", "windows") or not ids:
        return value
    names = re.split(r", | and | or ", ids)
    return _windows_named(texts, names, "or" if " or " in ids else "and")


def _windows_named(texts: Texts, ids: list[str], joint: str = "and") -> str:
    return texts("windows.named", len(ids), ids=texts.listed(ids, joint))


# --- a mark, a refusal --------------------------------------------------------------------------------------------


def reasons(texts: Texts, mark: Mark) -> tuple[str, ...]:
    """Why a mark has its call."""
    if texts.is_english or len(mark.reason_codes) != len(mark.reasons):
        return mark.reasons
    pairs = zip(mark.reason_codes, mark.reasons, strict=True)
    return tuple(_reason(texts, coded, sentence) for coded, sentence in pairs)


def _reason(texts: Texts, coded: ReasonRecord, sentence: str) -> str:
    values: dict[str, object] = dict(coded.values)
    flag = values.get("flag")
    if isinstance(flag, str) and flag in FLAGS:
        values["flag_sentence"] = texts(f"flag.{flag}")
    if isinstance(values.get("dye"), str) and f"dye.{values['dye']}" in texts.by_code:
        values["dye"] = texts(f"dye.{values['dye']}")
    return _by_code(texts, f"reason.{coded.code}", values, sentence)


def _by_code(texts: Texts, code: str, values: Mapping[str, object], sentence: str) -> str:
    """A text filled in; the English sentence where a code is not known here or a value is missing."""
    try:
        return texts.filled(code, values)
    except KeyError:
        return sentence


def flag(texts: Texts, code: str) -> str:
    """What a flag of a photo, a window or a mark says."""
    return texts(f"flag.{code}") if code in FLAGS else code


def refusal(texts: Texts, verdict: Verdict) -> tuple[str, str]:
    """Why a photo was refused, and what to do about it."""
    reason, remedy = verdict.reason or "", verdict.remedy or ""
    if texts.is_english or verdict.refusal is None:
        return reason, remedy
    return (
        _refused(texts, f"refusal.{verdict.refusal}.reason", verdict, reason),
        _refused(texts, f"refusal.{verdict.refusal}.remedy", verdict, remedy),
    )


def _refused(texts: Texts, code: str, verdict: Verdict, sentence: str) -> str:
    if code not in texts.by_code:
        return sentence
    prose = _pattern(english().form(code)).fullmatch(sentence)  # what no value carries stays English
    values: dict[str, object] = {} if prose is None else dict(prose.groupdict())
    values |= {
        name: _windows_named(texts, list(value)) if isinstance(value, tuple) else value
        for name, value in verdict.refusal_values.items()
    }
    return _by_code(texts, code, values, sentence)


# --- a verdict ----------------------------------------------------------------------------------------------------


def why(texts: Texts, verdict: Verdict) -> str:
    """The reason for a grade or a refusal, in a sentence."""
    if texts.is_english:
        return in_words.why(verdict)
    if verdict.pivotal:
        code = "doubt.one_doubt" if len(verdict.pivotal) == 1 else "doubt.doubts"
        return texts(code, marks=pivotal_marks(texts, verdict), grades=possible(texts, verdict))
    return rule(texts, verdict.rule) if verdict.rule else refusal(texts, verdict)[0]


def possible(texts: Texts, verdict: Verdict) -> str:
    """The possible grades of a verdict."""
    return texts.listed([texts(f"graded.{grade}") for grade in verdict.possible_grades], "or")


def pivotal_marks(texts: Texts, verdict: Verdict) -> str:
    """The marks on which the grade turns, with their analytes."""
    if texts.is_english:
        return in_words.pivotal_marks(verdict)
    found = []
    for code, windows in in_words.pivotal_windows(verdict):
        names = [
            texts(
                "doubt.window",
                window=window.id,
                analyte=told(texts, window.analyte, "analyte"),
                tier=texts(f"tier.{window.tier}"),
            )
            for window in windows
        ]
        found.append(texts(f"doubt.{code}", windows=texts.listed(names)))
    return texts.listed(found)


def rule(texts: Texts, sentence: str) -> str:
    """The row of the rules that decided, or the rows that may."""
    whole = told(texts, sentence, "decided", "rule", "expiry", "found")
    if whole != sentence or texts.is_english:
        return whole
    for between in ("; ", ", or "):
        parts = sentence.split(between)
        if len(parts) > 1:
            said = [told(texts, part, "decided", "rule", "expiry", "found") for part in parts]
            return "; ".join(said)
    return sentence


def next_steps(texts: Texts, sentence: str) -> str:
    """What is done next: the bundled texts in a page's language, a site's own as they are."""
    if texts.is_english:
        return sentence
    found: list[str] = []
    rest = sentence.strip()
    bundled = {forms[0]: code for code, forms in english().by_code.items() if code.startswith("next.")}
    while rest:
        known = next((text for text in bundled if rest.startswith(text)), None)
        if known is None:
            return " ".join([*found, rest])
        found.append(texts(bundled[known]))
        rest = rest[len(known) :].strip()
    return " ".join(found)


def another_photo(texts: Texts, sentences: str) -> str:
    """With which words a verdict asks for another photo."""
    if texts.is_english:
        return sentences
    original = re.match(r"(.*?: it may settle the doubt by itself\.) (.*)", sentences, re.DOTALL)
    parts = list(original.groups()) if original else [sentences]
    return " ".join(told(texts, part, "second") for part in parts)


def warning(texts: Texts, sentence: str) -> str:
    """A warning that a grade is given with."""
    return told(texts, sentence, "decided", "expiry")


def age(texts: Texts, sentence: str) -> str:
    """How old the plate was in the photo."""
    said = told(texts, sentence, "age")
    if said != sentence or texts.is_english:
        return said
    first, between, note = sentence.partition("; ")
    return f"{told(texts, first, 'age')}{between}{told(texts, note, 'age')}"


def open_decision(texts: Texts, sentence: str) -> str:
    """What a mark that somebody decided on still waits for."""
    return told(texts, sentence, "standing")


def departure(texts: Texts, sentence: str) -> str:
    """What went otherwise than the procedure says."""
    return told(texts, sentence, "departure", "found")
