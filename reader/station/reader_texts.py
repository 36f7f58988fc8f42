"""The reader's own sentences by code, for other languages: from the tables that it makes them of, never copied."""

from typing import Final

from reader.decide import age, grade, reasons
from reader.draw.annotate import CALL_WORDS, MARK_SAYS
from reader.library import coverage
from reader.library.control import strip
from reader.logbook import store
from reader.refusals import COPY, FLAGS, REFUSALS
from reader.review import decide, sheet
from reader.review import record as reviewing
from reader.round import departures, due, site
from reader.round import record as recording
from reader.round.procedure import load_procedure
from reader.settings.read_settings import load_settings
from reader.station import says
from reader.verdict import in_words, second_photo
from reader.words import GRADES, clock

UNDECIDED: Final = "undecided"
SAYINGS: Final = (
    MARK_SAYS,
    sheet.SAYS,
    decide.SAYS,
    decide.STANDING_SAYS,
    reviewing.SAYS,
    departures.IMPOSSIBLE,
    recording.SAYS,
    site.SAYS,
    store.SAYS,
    says.SAYS,
    coverage.SAYS,
    strip.SAYS,
)


def reader_texts() -> dict[str, str]:
    """Every text as a template by its code, `GROUP.CODE`; numbers in it may have a format."""
    return {f"{group}.{code}": text for group, texts in _groups().items() for code, text in texts.items()}


def _groups() -> dict[str, dict[str, str]]:
    settings, procedure = load_settings(), load_procedure()
    steps = {step.id: step for step in procedure.step}
    return {
        "reason": reasons.REASONS,
        "flag": FLAGS,
        "refusal": {
            **{f"{code}.reason": one.reason for code, one in REFUSALS.items()},
            **{f"{code}.remedy": one.remedy for code, one in REFUSALS.items()},
            "copy.remedy": COPY.remedy,
        },
        "decided": grade.SAID,
        "rule": {str(number): row.because for number, row in enumerate(settings.rules.row, 1)},
        "doubt": in_words.SAID,
        "second": second_photo.SAID | {f"how.{code}": text for code, text in second_photo.HINTS.items()},
        "age": age.SAID,
        "expiry": age.EXPIRY,
        "span": clock.SPANS,
        "next": {name: str(text) for name, text in settings.texts.next_step},
        "due": due.SAID,
        "found": departures.SAID,
        "departure": {kind.code: kind.text for kind in procedure.departure},
        "step": {id: step.text for id, step in steps.items()},
        "step_name": {id: id for id in steps},
        "phase": {one.id: one.text for one in procedure.phase},
        "phase_name": {one.id: one.id for one in procedure.phase},
        "unit": {id: step.amount.unit for id, step in steps.items() if step.amount is not None},
        "procedure": {"caution": procedure.caution},
        **{table.group: dict(table.texts) for table in SAYINGS},
        "assay": CALL_WORDS,
        "stated": {label: label for label in (*sheet.STATED.values(), *sheet.BESIDE)},
        "graded": {one: one for one in (*GRADES, UNDECIDED)},
        "analyte": {
            window.analyte: window.analyte for layout in settings.layouts for window in layout.window
        },
    }
