"""Releases: what is released never changes, and versions go up."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from rule_bench import NAME, variant

from adapters import rule_releases
from adapters.library_releases import ReleaseError, library_releases, read_releases
from adapters.rule_activation import open_ledger
from adapters.rule_files import LoadedRules, RuleFilesError, load_rules
from adapters.rule_releases import MOST_BYTES, Candidate, Released, find, release, released
from adapters.scenario_files import ScenarioFiles
from adapters.sqlite.ledger import RuleLedger
from adapters.sqlite.reading import StoreError
from adapters.sqlite.store import SqliteStore


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[RuleLedger]:
    with open_ledger(tmp_path) as opened:
        yield opened


def _release(ledger: RuleLedger, rules: LoadedRules, *, backport: bool = False) -> Released:
    return release(ledger, Candidate(rules), at="2026-11-25T13:00:00.000Z", by="author",
                   notes="new limit", backport=backport)  # fmt: skip


def test_the_whole_text_is_kept(ledger: RuleLedger) -> None:
    rules = variant("0.2.0", co2_high=50)
    done = _release(ledger, rules)
    assert ledger.files(done.rule_set_id) == rules.files
    (kept,) = ledger.releases()
    assert (kept.rules.spec, kept.rules.sha256) == (f"{NAME}@0.2.0", rules.rule_set.sha256)
    assert (kept.by, kept.notes, kept.backport) == ("author", "new limit", False)
    assert released(ledger, f"{NAME}@0.2.0") == rules
    assert find(f"{NAME}@0.2.0", ledger) == rules


def test_the_same_again_is_nothing_new(ledger: RuleLedger) -> None:
    _release(ledger, variant("0.2.0", co2_high=50))
    again = _release(ledger, variant("0.2.0", co2_high=50))
    assert not again.new
    assert len(ledger.releases()) == 1


def test_the_same_version_with_other_content_is_refused(ledger: RuleLedger) -> None:
    _release(ledger, variant("0.2.0", co2_high=50))
    with pytest.raises(ReleaseError, match=r'never changes: raise "version".* to 0\.2\.1'):
        _release(ledger, variant("0.2.0", co2_high=49))
    assert len(ledger.releases()) == 1


def test_a_version_of_the_library_cannot_be_taken(ledger: RuleLedger) -> None:
    with pytest.raises(ReleaseError, match="with Tidewarden with other content"):
        _release(ledger, variant("0.1.0", co2_high=50))
    assert _release(ledger, variant("0.1.0")).new, "the very same is no other content"


@pytest.mark.parametrize("version", ["0.0.9", "0.1.0-rc.1"])
def test_a_version_goes_up(ledger: RuleLedger, version: str) -> None:
    # By what changed, a limit, the next one would be 0.2.0.
    with pytest.raises(ReleaseError, match=r"not higher than 0\.1\.0.*to 0\.2\.0.*--backport"):
        _release(ledger, variant(version, co2_high=50))
    done = _release(ledger, variant(version, co2_high=50), backport=True)
    assert done.new
    assert ledger.releases()[0].backport


def test_it_goes_up_from_what_the_store_has_too(ledger: RuleLedger) -> None:
    _release(ledger, variant("0.3.0", co2_high=50))
    with pytest.raises(ReleaseError, match=r"0\.3\.0"):
        _release(ledger, variant("0.2.0", co2_high=49))
    # Another name has versions of its own.
    assert _release(ledger, variant("0.0.1", name="ours", co2_high=49)).notes == ()


def test_a_step_that_is_too_small_is_said(ledger: RuleLedger) -> None:
    done = _release(ledger, variant("0.1.1", co2_high=50))
    assert done.notes == (
        "the changes since 0.1.0 ask for a minor step, to 0.2.0; this is a patch step",
    )
    assert _release(ledger, variant("0.2.0", co2_high=49)).notes == ()


def test_only_what_is_released_is_found(ledger: RuleLedger) -> None:
    assert released(ledger, f"{NAME}@0.1.0") == load_rules(f"{NAME}@0.1.0")
    with pytest.raises(ReleaseError, match=r"released are: small-animal-ventilation@0\.1\.0"):
        released(ledger, f"{NAME}@7.0.0")
    with pytest.raises(ReleaseError, match="release the folder first"):
        released(ledger, "some/folder")
    with pytest.raises(RuleFilesError, match="released in the store"):
        find(f"{NAME}@7.0.0", ledger)


def test_scenarios_of_the_library_that_are_not_those_released_are_told(
    ledger: RuleLedger, monkeypatch: pytest.MonkeyPatch
) -> None:
    listed = [one.model_copy(update={"scenarios_sha256": "1" * 64}) for one in library_releases()]
    monkeypatch.setattr(rule_releases, "library_releases", lambda: listed)
    with pytest.raises(ReleaseError, match="its scenarios in the library are not those"):
        released(ledger, f"{NAME}@0.1.0")
    with pytest.raises(ReleaseError, match="with Tidewarden with other scenarios, and"):
        _release(ledger, variant("0.1.0"))


def test_what_would_keep_a_service_waiting_is_not_released(ledger: RuleLedger) -> None:
    files = {"a.yaml": b"scenarios:", "night.jsonl": bytes(MOST_BYTES)}
    candidate = Candidate(variant("0.2.0"), ScenarioFiles(files))
    with pytest.raises(ReleaseError, match=r"hold 32 MB.*shorten the recordings, first night\.js"):
        release(ledger, candidate, at="2026-11-25T13:00:00.000Z", by="author", notes="new")
    assert ledger.releases() == []


def test_a_store_is_made_in_a_folder_that_is_there(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="no such folder"), open_ledger(tmp_path / "typo"):
        pass
    (tmp_path / "tidewarden.sqlite").write_bytes(b"this is no database, but long enough" * 100)
    with pytest.raises(StoreError, match="not a store"), open_ledger(tmp_path):
        pass


def test_a_copy_beside_the_store_is_not_taken_for_it(tmp_path: Path) -> None:
    SqliteStore(tmp_path).close()
    copy = tmp_path / "copy.sqlite"
    copy.write_bytes((tmp_path / "tidewarden.sqlite").read_bytes())
    with pytest.raises(StoreError, match="give its folder"), open_ledger(copy):
        pass


def test_a_running_service_does_not_keep_one_from_releasing(tmp_path: Path) -> None:
    running = SqliteStore(tmp_path)
    with open_ledger(tmp_path / "tidewarden.sqlite") as ledger:
        _release(ledger, variant("0.2.0", co2_high=50))
    assert [r.rules.version for r in running.ledger.releases()] == ["0.2.0"]
    running.close()


# -- the library's list -------------------------------------------------------------------------

LINE = """\
  - {name: a-set, version: 1.0.0, sha256: "%s", released_on: 2026-11-25, by: someone, notes: first}
"""
GOOD = "releases:\n" + LINE % ("0" * 64)


def test_the_list_is_read() -> None:
    (one,) = read_releases(GOOD)
    assert (one.spec, one.by) == ("a-set@1.0.0", "someone")
    assert library_releases()


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (GOOD + LINE % ("1" * 64), "a-set@1.0.0 is listed twice"),
        (GOOD.replace("1.0.0", "1.0"), r"releases\.0\.version"),
        (GOOD.replace("0" * 64, "abc"), r"releases\.0\.sha256"),
        (GOOD.replace("by: someone, ", ""), r"releases\.0\.by"),
        ("releases: [", "cannot be read"),
        ("nothing: here", "releases"),
    ],
)
def test_a_mistake_in_the_list_is_named(text: str, says: str) -> None:
    with pytest.raises(ReleaseError, match=says):
        read_releases(text)
