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
    zone of a camera that writes no offset. `load_settings` makes it."""

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
    """Load all that a photo is read by, once for many photos.

    Parameters
    ----------
    layout : str or Path
        "auto" (all bundled layouts are tried), a bundled name, or a TOML file.
    rules, thresholds, texts : str or Path
        A bundled name, or a TOML file.
    zone : str, optional
        Of a camera that writes no offset, by its name or offset; else that of the rules, else this machine's.

    Returns
    -------
    ReadSettings

    Raises
    ------
    SettingsError
        For a broken settings file.
    LinecallError
        For a zone that is none.

    Examples
    --------
    >>> settings = load_settings(layout="comb", zone="+02:00")
    >>> [layout.name for layout in settings.layouts], settings.rules.name
    (['comb'], 'two-tier')
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
