"""What a library computes by, and the layouts of its plates: settings files that it keeps, byte for byte."""

from collections.abc import Iterator
from pathlib import Path

from sqlalchemy import (
    func,
    select,
    update,
)

from reader.library.compute import (
    Standard,
    compute_anew,
)
from reader.library.consensus import ConsensusRule
from reader.library.files import COMPUTED_BY, keep_file, kept_layout, load_file, read_file
from reader.library.strength import StrengthLimits
from reader.library.tables import (
    about,
    examples,
    files,
)
from reader.settings.values import Layout, Rules
from reader.store.database import BATCH_SIZE, Database


class LibrarySettings:
    """The rule of consensus, the grading rules, the contrast classes and the layouts of a library."""

    def __init__(self, database: Database) -> None:
        """Take the library's database; `Library.settings` is for everyone else."""
        self._database = database

    def standard(self) -> Standard:
        """The rule of consensus, the grading rules and the contrast classes that are in use."""
        with self._database.reading() as connection:
            return Standard.of(connection)

    @property
    def consensus_rule(self) -> ConsensusRule:
        """The rule by which graders agree."""
        return self.standard().consensus

    @property
    def rules(self) -> Rules:
        """The rules by which calls make a grade."""
        return self.standard().rules

    @property
    def strength_limits(self) -> StrengthLimits:
        """The limits of the contrast classes."""
        return self.standard().strength

    def compute_by(self, kind: str, source: str | Path | bytes) -> int:
        """Compute consensus, grades and classes anew by another file; returns how many examples changed.

        kind : consensus, rules or strength. source : a bundled name, a TOML file, or its bytes. No call and no
        measurement changes. Raises SettingsError for a broken file.
        """
        model, _ = COMPUTED_BY[kind]
        if isinstance(source, bytes):
            value, data = load_file(model, source), source
        else:
            value, data = read_file(model, source)
        with self._database.writing() as connection:
            keep_file(connection, value, data)
            connection.execute(update(about).where(about.c.name == kind).values(value=value.sha256))
            standard = Standard.of(connection)
            seqs = connection.scalars(select(examples.c.seq).order_by(examples.c.seq)).all()
            return sum(
                compute_anew(connection, seqs[start : start + BATCH_SIZE], standard)
                for start in range(0, len(seqs), BATCH_SIZE)
            )

    def in_use(self) -> dict[str, str]:
        """Hashes of the files that the library computes by, by kind."""
        with self._database.reading() as connection:
            found = connection.execute(
                select(about.c.name, about.c.value).where(about.c.name.in_(COMPUTED_BY))
            )
            return {row.name: row.value for row in found}

    def kept_files(self) -> Iterator[tuple[str, str, str, bytes]]:
        """Kind, name, hash and bytes of every settings file that the library keeps."""
        with self._database.reading() as connection:
            query = select(files.c.kind, files.c.name, files.c.sha256, files.c.data)
            for row in connection.execute(query.order_by(files.c.kind, files.c.name, files.c.sha256)):
                yield row.kind, row.name, row.sha256, row.data

    def keep_layout(self, source: str | Path | bytes) -> Layout:
        """Keep a layout, a bundled one by its name or any by its path or bytes, before its first example."""
        if isinstance(source, bytes):
            layout, data = load_file(Layout, source), source
        else:
            layout, data = read_file(Layout, source)
        with self._database.writing() as connection:
            keep_file(connection, layout, data)
        return layout

    def layout(self, sha256: str) -> Layout:
        """A layout that the library keeps."""
        with self._database.reading() as connection:
            return kept_layout(connection, sha256)

    def layouts(self) -> list[Layout]:
        """The layouts of the examples, the newest revision of each name."""
        query = select(examples.c.layout_sha256, func.max(examples.c.layout_revision)).group_by(
            examples.c.layout
        )
        with self._database.reading() as connection:
            return [
                kept_layout(connection, row[0])
                for row in connection.execute(query.order_by(examples.c.layout))
            ]
