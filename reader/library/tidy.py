"""One row a mark and grader: the table that statistics, quizzes and reports are computed from."""

from collections.abc import Mapping
from dataclasses import dataclass

from reader.settings.values import Layout
from reader.verdict.model import Verdict
from reader.words import Call, MarkKey


@dataclass(frozen=True, kw_only=True, slots=True)
class MarkRow:
    """What one grader called one mark of one example, beside the consensus and linecall's own call.

    example : its id; plate : the id that all photos of one plate share. strength : the contrast class. grader,
    role, call : empty in the one row of a mark that nobody has graded. consensus : None where there is none.
    height, standard_error, limit_of_blank, limit_of_detection : absorbance; None where not measured.
    sha256 : of the photo. graded_at : RFC 3339.
    """

    example: str
    plate: str
    window: str
    mark: str
    tier: str
    analyte: str
    strength: str
    light: str
    layout: str
    grader: str
    role: str
    call: str
    consensus: str | None
    tool_call: str
    height: float | None
    standard_error: float | None
    sha256: str
    graded_at: str = ""
    limit_of_blank: float | None = None
    limit_of_detection: float | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class GradeRow:
    """What one grader graded one example as, beside the grade of the consensus and linecall's own.

    grade : as given, or else that of the grader's calls, undecided where they leave it open; given says which.
    consensus : None where nobody's calls count. The rest is as in `MarkRow`.
    """

    example: str
    plate: str
    light: str
    layout: str
    grader: str
    role: str
    grade: str
    given: bool
    consensus: str | None
    tool_grade: str | None
    sha256: str
    graded_at: str


@dataclass(frozen=True, kw_only=True, slots=True)
class MeasuredRow:
    """One example as it was measured, beside the consensus on each of its marks (None: there is none)."""

    example: str
    photo: str
    plate: str
    sha256: str
    verdict: Verdict
    layout: Layout
    consensus: Mapping[MarkKey, Call | None]


@dataclass(frozen=True, kw_only=True, slots=True)
class AgreedRow:
    """The consensus on each mark of one example (None: there is none), without what was measured."""

    plate: str
    sha256: str
    layout: str
    consensus: Mapping[MarkKey, Call | None]
