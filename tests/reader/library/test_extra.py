"""A package of the extra that is missing is named, with what to install."""

import pytest

from reader.library import extra as extras


def test_a_missing_package_is_told_with_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    def missing(name: str) -> None:
        raise ModuleNotFoundError(f"No module named {name!r}", name=name)

    extras.extra.cache_clear()
    monkeypatch.setattr(extras, "import_module", missing)
    with pytest.raises(
        extras.MissingExtraError,
        match=r"scipy.* python -m pip install krippendorff scikit-learn scipy statsmodels",
    ):
        extras.extra("scipy")
    extras.extra.cache_clear()
