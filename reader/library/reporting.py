"""Reports on a library: its rows through the statistics, with where the figures come from."""

from collections.abc import Sequence
from datetime import datetime
from typing import TYPE_CHECKING

from reader.library.consensus import ConsensusRule
from reader.library.errors import LibraryError
from reader.library.filters import Filters
from reader.library.report import Origin
from reader.library.store import Library
from reader.settings.values import SettingsFile
from reader.verdict.model import SettingsRecord

if TYPE_CHECKING:
    from reader.library.agreement.agree import Agreement
    from reader.library.agreement.validate import KnownHeights, Validation


def report_agreement(
    library: Library,
    filters: Filters,
    *,
    made_at: datetime,
    rule: ConsensusRule | None = None,
    listed: int = 200,
) -> "tuple[Agreement, Origin]":
    """People against each other and the consensus, and linecall against it; rule : else the library's.

    listed : examples where callers part. Raises LibraryError where no example fits the filters.
    """
    from reader.library.agreement.agree import agree

    rule = rule or library.settings.consensus_rule
    rules = library.settings.rules
    report = agree(
        library.tidy.marks(filters, rule=rule),
        rule=rule,
        rules=rules,
        assays={plate.name: plate.assay.format for plate in library.settings.layouts()},
        listed=listed,
    )
    settings = (rule, rules, library.settings.strength_limits)
    origin = origin_of(library, filters, settings, made_at=made_at)
    check_some(library, report.examples, origin)
    return report, origin


def report_validation(
    library: Library,
    filters: Filters,
    *,
    made_at: datetime,
    rule: ConsensusRule | None = None,
    known: "KnownHeights | None" = None,
) -> "tuple[Validation, Origin]":
    """Linecall measured on the library; rule : of the consensus, else the library's. known : see `validate`.

    Raises LibraryError where no example fits the filters.
    """
    from reader.library.agreement.validate import validate

    rule = rule or library.settings.consensus_rule
    report = validate(library.tidy.marks(filters, rule=rule), known=known)
    origin = origin_of(library, filters, (rule, library.settings.strength_limits), made_at=made_at)
    check_some(library, report.examples, origin)
    return report, origin


def origin_of(
    library: Library, filters: Filters, settings: Sequence[SettingsFile], *, made_at: datetime
) -> Origin:
    """Where figures come from: the library, which examples, and the settings they were computed by."""
    named = {"layout": filters.layout, "light": filters.light}
    return Origin(
        library=library.folder.resolve().name,
        made_at=made_at,
        settings=tuple(
            (each.kind, SettingsRecord(name=each.name, revision=each.revision, sha256=each.sha256))
            for each in settings
        ),
        filters=tuple(f"{name} {value}" for name, value in named.items() if value is not None),
    )


def check_some(library: Library, examples: int, origin: Origin) -> None:
    """Raise LibraryError where the library holds no such example."""
    if not examples:
        among = f" with {' and '.join(origin.filters)}" if origin.filters else ""
        raise LibraryError(
            f"{library.name}: holds no example{among}; linecall library list shows what there is"
        )
