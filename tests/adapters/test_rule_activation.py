"""Activation by two persons, rollback, trial; and what a service makes of the ledger."""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from rule_bench import NAME, signed, variant
from store_bench import begin

from adapters.library_releases import ReleaseError
from adapters.rule_activation import (
    activate,
    open_ledger,
    rollback,
    start_trial,
    stop_trial,
)
from adapters.rule_files import load_rules
from adapters.rule_policy import Policy, same_person
from adapters.rule_releases import Candidate, release
from adapters.rule_switch import InForce, RuleSwitch
from adapters.sqlite.ledger import RuleLedger
from adapters.sqlite.store import SqliteStore

#: A small rule set that never changes.
RELEASED = "small-animal-ventilation@0.1.0"

STRICT = Policy()
NEW, NEWER = f"{NAME}@0.2.0", f"{NAME}@0.3.0"
DEFAULT = load_rules(RELEASED)


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[RuleLedger]:
    """A store in which a service has run by the default rules, and two more are released."""
    begin(SqliteStore(tmp_path)).close()
    with open_ledger(tmp_path) as opened:
        for version, limit in (("0.2.0", 50), ("0.3.0", 45)):
            candidate = Candidate(variant(version, co2_high=limit))
            release(opened, candidate, at=signed().at, by="author", notes="n")
        yield opened


def _active(ledger: RuleLedger) -> str | None:
    number = ledger.wanted().active
    return None if number is None else ledger.rules(number).version


def test_a_released_version_is_activated_by_another_person(ledger: RuleLedger) -> None:
    assert _active(ledger) is None
    activate(ledger, NEW, signed("second"), "author", STRICT)
    assert _active(ledger) == "0.2.0"
    (entry,) = ledger.entries()
    assert (entry.action, entry.by, entry.author) == ("activate", "second", "author")
    assert entry.reason == "our animals are small"
    assert entry.at == signed().at
    assert entry.override_reason is None


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("José", "Jose\u0301"),  # the accent with its letter, and after it
        ("A.\u00a0Person", "a. person"),  # a space that does not break
        ("Per\u200bson", "Person"),  # a space without width
        ("Straße", "STRASSE"),
        ("ﬁrst", "FIRST"),  # a ligature
    ],
)
def test_one_person_by_any_spelling(one: str, other: str) -> None:
    assert same_person(one, other)
    assert same_person(other, one)


@pytest.mark.parametrize("by", ["author", "Author", "  AUTHOR ", "A. Person"])
def test_not_by_its_author(ledger: RuleLedger, by: str) -> None:
    author = "a.  PERSON" if "Person" in by else "author"
    with pytest.raises(ReleaseError, match="let another person do it"):
        activate(ledger, NEW, signed(by), author, STRICT)
    assert ledger.entries() == []
    assert not same_person("author", "authors")


def test_an_override_needs_the_configuration_and_is_kept(ledger: RuleLedger) -> None:
    with pytest.raises(ReleaseError, match="allow_override"):
        activate(ledger, NEW, signed("author"), "author", STRICT, "alone at night")
    lenient = Policy(allow_override=True)
    with pytest.raises(ReleaseError, match="give a reason with --override"):
        activate(ledger, NEW, signed("author"), "author", lenient)
    with pytest.raises(ReleaseError, match="give a reason with --override"):
        activate(ledger, NEW, signed("author"), "author", lenient, "  ")
    activate(ledger, NEW, signed("author"), "author", lenient, "alone at night")
    assert ledger.entries()[0].override_reason == "alone at night"
    # Where it was not needed it is not kept.
    activate(ledger, NEWER, signed("second"), "author", lenient, "alone at night")
    assert ledger.entries()[1].override_reason is None


def test_one_person_is_enough_where_the_configuration_says_so(ledger: RuleLedger) -> None:
    activate(ledger, NEW, signed("author"), "author", Policy(two_persons=False))
    assert _active(ledger) == "0.2.0"


@pytest.mark.parametrize(
    ("by", "why", "author"), [(" ", "w", "a"), ("b", "", "a"), ("b", "w", " ")]
)
def test_who_and_why_are_asked_for(ledger: RuleLedger, by: str, why: str, author: str) -> None:
    with pytest.raises(ReleaseError, match="empty"):
        activate(ledger, NEW, signed(by, why), author, STRICT)


def test_what_is_not_released_or_active_already_is_refused(ledger: RuleLedger) -> None:
    with pytest.raises(ReleaseError, match="is not released"):
        activate(ledger, f"{NAME}@9.0.0", signed(), "author", STRICT)
    activate(ledger, NEW, signed(), "author", STRICT)
    with pytest.raises(ReleaseError, match="active already"):
        activate(ledger, NEW, signed(), "author", STRICT)


def test_rolling_back_goes_one_further_each_time(ledger: RuleLedger) -> None:
    with pytest.raises(ReleaseError, match="nothing was active"):
        rollback(ledger, signed())
    activate(ledger, NEW, signed(), "author", STRICT)
    activate(ledger, NEWER, signed(), "author", STRICT)
    assert rollback(ledger, signed()).version == "0.2.0"
    # Then to what the service went by before anything was activated: the configuration's.
    assert rollback(ledger, signed()).version == "0.1.0"
    assert _active(ledger) == "0.1.0"
    with pytest.raises(ReleaseError, match="nothing was active"):
        rollback(ledger, signed())
    activate(ledger, NEWER, signed(), "author", STRICT)
    assert rollback(ledger, signed()).version == "0.1.0"


def test_one_trial_at_a_time(ledger: RuleLedger) -> None:
    with pytest.raises(ReleaseError, match="no rule set is on trial"):
        stop_trial(ledger, signed())
    with pytest.raises(ReleaseError, match="is the active one"):
        start_trial(ledger, RELEASED, signed())
    start_trial(ledger, NEW, signed())
    with pytest.raises(ReleaseError, match=r"0\.2\.0 is on trial already"):
        start_trial(ledger, NEWER, signed())
    assert stop_trial(ledger, signed()).version == "0.2.0"
    assert ledger.wanted().trial is None
    start_trial(ledger, NEWER, signed())
    # What becomes active is on trial no more.
    activate(ledger, NEWER, signed(), "author", STRICT)
    assert ledger.wanted().trial is None
    assert [entry.action for entry in ledger.entries()][-1] == "trial stop"


# -- what a service makes of it ------------------------------------------------------------------


def _soon(switch: RuleSwitch) -> InForce | None:
    until = time.monotonic() + 5.0
    while time.monotonic() < until:
        found = switch.look()
        if found is not None:
            return found
        time.sleep(0.02)
    return None


def test_a_service_follows_the_ledger(ledger: RuleLedger) -> None:
    switch = RuleSwitch(ledger, STRICT, DEFAULT)
    assert switch.now.rules == DEFAULT
    assert switch.look() is None
    activate(ledger, NEW, signed(), "author", STRICT)
    start_trial(ledger, NEWER, signed())
    switch._due_s = 0.0
    found = _soon(switch)
    assert found is not None
    assert found.rules.rule_set.version == "0.2.0"
    assert found.trial is not None
    assert found.trial.rule_set.version == "0.3.0"
    assert switch.now == found
    # Another service that starts now begins with it, whatever its configuration says.
    assert RuleSwitch(ledger, STRICT, DEFAULT).now == found
    switch.close()


def test_a_service_does_not_follow_what_its_own_configuration_forbids(
    ledger: RuleLedger, caplog: pytest.LogCaptureFixture
) -> None:
    # The command was given another configuration than the service has.
    activate(ledger, NEW, signed("author"), "author", Policy(two_persons=False))
    assert RuleSwitch(ledger, STRICT, DEFAULT).now.rules == DEFAULT
    assert "is not followed" in caplog.text
    refused = ledger.entries()[-1]
    assert (refused.action, refused.by, refused.refers_id) == ("refused", "tidewarden", 1)
    assert "let another person do it" in refused.reason
    assert _active(ledger) is None
    assert ledger.taken() == {}
    # It stays refused: a configuration that is changed later must not bring it back at some start.
    lax = Policy(two_persons=False)
    assert RuleSwitch(ledger, lax, DEFAULT).now.rules == DEFAULT
    activate(ledger, NEW, signed("author"), "author", lax)
    assert RuleSwitch(ledger, lax, DEFAULT).now.rules.rule_set.version == "0.2.0"


@pytest.mark.parametrize("seen", [True, False], ids=["refused at once", "seen at a later start"])
def test_what_was_refused_is_no_way_back(ledger: RuleLedger, seen: bool) -> None:
    # Two persons could else be passed by: activate alone, wait for another version, roll back.
    activate(ledger, NEW, signed("author"), "author", Policy(two_persons=False))
    if seen:
        RuleSwitch(ledger, STRICT, DEFAULT).close()
    activate(ledger, NEWER, signed("second"), "author", STRICT)
    back = rollback(ledger, signed("author"))
    assert back.version == ("0.1.0" if seen else "0.2.0")
    now = RuleSwitch(ledger, STRICT, DEFAULT).now.rules.rule_set.version
    assert now == ("0.1.0" if seen else "0.3.0")
    if not seen:
        assert [e.action for e in ledger.entries()][-2:] == ["refused", "refused"]
        assert rollback(ledger, signed("author")).version == "0.1.0"
        assert RuleSwitch(ledger, STRICT, DEFAULT).now.rules == DEFAULT


def test_a_rollback_after_a_refused_activation_leaves_what_was_in_force(
    ledger: RuleLedger,
) -> None:
    activate(ledger, NEWER, signed("second"), "author", STRICT)
    activate(ledger, NEW, signed("author"), "author", Policy(two_persons=False))
    assert RuleSwitch(ledger, STRICT, DEFAULT).now.rules.rule_set.version == "0.3.0"
    assert rollback(ledger, signed("second")).version == "0.1.0"
    assert RuleSwitch(ledger, STRICT, DEFAULT).now.rules.rule_set.version == "0.1.0"


def test_rules_that_cannot_be_read_any_more_do_not_end_the_watch(
    ledger: RuleLedger, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    activate(ledger, NEW, signed(), "author", STRICT)
    start_trial(ledger, NEWER, signed())
    other = sqlite3.connect(tmp_path / "tidewarden.sqlite")
    other.execute("update rule_sets set files = '{}' where version in ('0.2.0', '0.3.0')")
    other.commit()
    other.close()
    now = RuleSwitch(ledger, STRICT, DEFAULT).now
    assert (now.rules, now.trial) == (DEFAULT, None)
    assert "active rules cannot be read and are NOT in use" in caplog.text
    assert "rules on trial cannot be read" in caplog.text
