"""Tests of a site's versions count from the first version of the library, whatever came later."""

from __future__ import annotations

import pytest

from adapters import rule_releases

FIRST = "small-animal-ventilation@0.1.0"


@pytest.fixture(autouse=True)
def _first_release_only(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    if request.path.name.startswith("test_rule_"):
        listed = tuple(r for r in rule_releases.library_releases() if r.spec == FIRST)
        assert len(listed) == 1
        monkeypatch.setattr(rule_releases, "library_releases", lambda: listed)
