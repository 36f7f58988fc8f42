"""The library's tables: examples and gradings, which say what is known, and columns for lists that follow from them."""

from typing import Final

from sqlalchemy import REAL, Column, Index, Integer, LargeBinary, MetaData, Table, Text, UniqueConstraint

from reader.library.strength import STRENGTHS, Strength

FORMAT: Final = 1
"""Of the tables; a library of a later format is refused."""

tables = MetaData()

about = Table(
    "library_about",
    tables,
    Column("name", Text, primary_key=True),
    Column("value", Text, nullable=False),
    sqlite_strict=True,
)
"""`format`, and under `consensus`, `rules` and `strength` the hash of the settings file in use."""

files = Table(
    "library_file",
    tables,
    Column("sha256", Text, primary_key=True),
    Column("kind", Text, nullable=False),
    Column("name", Text, nullable=False),
    Column("data", LargeBinary, nullable=False),
    sqlite_strict=True,
)
"""Settings files: the layouts of the examples, and the rules that the library computes by."""

graders = Table(
    "library_grader",
    tables,
    Column("folded", Text, primary_key=True),
    Column("name", Text, nullable=False),
    sqlite_strict=True,
)
"""One spelling for each person."""

counts: Final[dict[Strength, Column[int]]] = {
    strength: Column(f"n_{strength.replace(' ', '_')}", Integer, nullable=False) for strength in STRENGTHS
}
"""How many of an example's indicator marks are of each contrast class."""

examples = Table(
    "library_example",
    tables,
    Column("seq", Integer, primary_key=True),
    Column("id", Text, nullable=False, unique=True),
    Column("photo", Text, nullable=False),
    Column("photo_sha256", Text, nullable=False, unique=True),
    Column("strips_sha256", Text),
    Column("plate", Text, nullable=False),
    Column("layout", Text, nullable=False),
    Column("layout_revision", Integer, nullable=False),
    Column("layout_sha256", Text, nullable=False),
    Column("light", Text, nullable=False),
    Column("defects", Text, nullable=False),
    Column("source", Text, nullable=False),
    Column("added_at", Text, nullable=False),
    Column("tags", Text, nullable=False),
    Column("tool_grade", Text),
    Column("grade", Text),
    Column("graders", Integer, nullable=False),
    Column("settled", Integer, nullable=False),
    Column("disputed", Integer, nullable=False),
    *counts.values(),
    sqlite_strict=True,
)
"""`defects`: those that were stated, each between bars; `tags`: those and linecall's flags. `grade`: of the consensus;
`graders`: people who called a mark; `settled`, `disputed`: marks with a consensus, and marks called unlike."""

Index("library_example_photo", examples.c.photo)
Index("library_example_plate", examples.c.plate)

verdicts = Table(
    "library_verdict",
    tables,
    Column("example", Integer, primary_key=True),
    Column("json", LargeBinary, nullable=False),
    Column("look", LargeBinary, nullable=False),
    sqlite_strict=True,
)
"""The verdict, zlib, and the look (reader.library.look); apart, so that lists need not step over them."""

marks = Table(
    "library_mark",
    tables,
    Column("example", Integer, primary_key=True, autoincrement=False),
    Column("place", Integer, primary_key=True, autoincrement=False),
    Column("window", Text, nullable=False),
    Column("mark", Text, nullable=False),
    Column("tier", Text, nullable=False),
    Column("analyte", Text, nullable=False),
    Column("strength", Text, nullable=False),
    Column("height", REAL),
    Column("standard_error", REAL),
    Column("limit_of_blank", REAL),
    Column("limit_of_detection", REAL),
    Column("tool_call", Text, nullable=False),
    Column("consensus", Text),
    Column("disputed", Integer, nullable=False),
    sqlite_strict=True,
    sqlite_with_rowid=False,
)
"""Every mark of every example, in the plate's order."""

gradings = Table(
    "library_grading",
    tables,
    Column("seq", Integer, primary_key=True),
    Column("example", Integer, nullable=False),
    Column("grader", Text, nullable=False),
    Column("role", Text, nullable=False),
    Column("at", Text, nullable=False),
    Column("grade", Text),
    Column("blind", Integer),
    Column("source", Text, nullable=False),
    Column("note", Text),
    Column("calls", Text, nullable=False),
    sqlite_strict=True,
)
"""What a person called at one time; `calls` is a JSON object by window, then by mark."""

Index("library_grading_example", gradings.c.example, gradings.c.seq)

control_baselines = Table(
    "library_control_baseline",
    tables,
    Column("seq", Integer, primary_key=True),
    Column("id", Text, nullable=False, unique=True),
    Column("strip", Text, nullable=False),
    Column("begun_at", Text, nullable=False),
    Column("by", Text),
    Column("reason", Text),
    Column("layout", Text, nullable=False),
    Column("layout_revision", Integer, nullable=False),
    Column("layout_sha256", Text, nullable=False),
    Column("marks", Text, nullable=False),
    Column("control_sha256", Text, nullable=False),
    sqlite_strict=True,
)
"""Where the chart of a control strip, or a new part of it, begins; `marks` is a JSON list of window and mark."""

control_points = Table(
    "library_control_point",
    tables,
    Column("seq", Integer, primary_key=True),
    Column("id", Text, nullable=False, unique=True),
    Column("strip", Text, nullable=False),
    Column("baseline", Text, nullable=False),
    Column("photo", Text, nullable=False),
    Column("photo_sha256", Text, nullable=False),
    Column("taken_at", Text, nullable=False),
    Column("taken_from", Text, nullable=False),
    Column("added_at", Text, nullable=False),
    Column("by", Text),
    Column("note", Text),
    Column("heights", Text, nullable=False),
    Column("made", Text, nullable=False),
    Column("verdict", LargeBinary, nullable=False),
    UniqueConstraint("strip", "photo_sha256"),
    sqlite_strict=True,
)
"""Photos of a control strip; `heights` and `made` are JSON that follows from the verdict, which is zlib."""

control_set_aside = Table(
    "library_control_set_aside",
    tables,
    Column("point", Text, primary_key=True),
    Column("at", Text, nullable=False),
    Column("by", Text, nullable=False),
    Column("reason", Text, nullable=False),
    sqlite_strict=True,
)
"""Points that count no longer; the points themselves stay."""

CONTROL: Final = (control_baselines, control_points, control_set_aside)
"""Tables that libraries of earlier days lack; they are made when first written to."""
