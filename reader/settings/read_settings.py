"""All settings that a photo is read by, loaded once and reused over many photos."""

from dataclasses import dataclass
from pathlib import Path

from reader.settings.values import (
    Layout,
    Rules,
    SettingsFile,
    Texts,
    Thresholds,
    bundled_layouts,
    load_layout,
    load_rules,
    load_texts,
    load_thresholds,
)
from reader.words.clock import MACHINE, Zone, load_zone


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class ReadSettings:
    """What a photo is read by: the layouts that the plate may have, the site's rules, thresholds and texts, and the
    zone of a camera that writes no offset."""

    layouts: tuple[Layout, ...]
    layout_named: bool
    rules: Rules
    thresholds: Thresholds
    texts: Texts
    zone: Zone = MACHINE

    def files_used(self, layout_sha256: str | None) -> tuple[SettingsFile, ...]:
        """The files that a verdict names: of its layout, None standing for all that were tried, and the others."""
        layouts = (layout for layout in self.layouts if layout_sha256 in (None, layout.sha256))
        return (*layouts, self.rules, self.thresholds, self.texts)


def load_settings(
    layout: str | Path = "auto",
    rules: str | Path = "two-tier",
    thresholds: str | Path = "standard",
    texts: str | Path = "standard",
    zone: str | None = None,
) -> ReadSettings:
    """Load settings by bundled name or path; layout "auto" stands for all bundled ones.

    zone : of a camera that writes no offset, by its name or offset; else that of the rules, else this machine's.
    Raises SettingsError, and LinecallError for a zone that is none.
    """
    named = layout != "auto"
    by_rules = load_rules(rules)
    place = MACHINE
    if zone is not None:
        place = load_zone(zone, "option")
    elif by_rules.camera_zone is not None:
        place = load_zone(by_rules.camera_zone, "rules")
    return ReadSettings(
        layouts=(load_layout(layout),) if named else bundled_layouts(),
        layout_named=named,
        rules=by_rules,
        thresholds=load_thresholds(thresholds),
        texts=load_texts(texts),
        zone=place,
    )
