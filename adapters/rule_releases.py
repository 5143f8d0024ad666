"""What is released: the versions of the library as its list says, and those in a site's store."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Final

from adapters.library_releases import ReleaseError, library_releases
from adapters.rule_files import LoadedRules, RuleFilesError, library, load_rules, loaded_again
from adapters.scenario_files import NO_SCENARIOS, ScenarioFiles, Tried, scenario_files
from adapters.sqlite.ledger import RuleLedger
from rules.changes import Step, asked_step, next_version, taken_step
from rules.difference import difference
from rules.engine import build_engine
from rules.model import RuleSet
from rules.versions import parse_version

#: A service that commits meanwhile waits for a release to be written, so it may be so large.
MOST_BYTES: Final = 32_000_000


@dataclass(frozen=True, slots=True)
class Candidate:
    """What is to be released, and how its scenarios are rehearsed before."""

    rules: LoadedRules
    scenarios: ScenarioFiles = NO_SCENARIOS
    rehearse: Callable[[], Tried] = Tried


@dataclass(frozen=True, slots=True)
class Released:
    """What came of releasing: where the store has it, and what a reader should know.

    `tried` is what came of the scenarios; None when it was released before.
    """

    rule_set_id: int
    notes: tuple[str, ...]
    tried: Tried | None = None

    @property
    def new(self) -> bool:
        """Whether it was released just now."""
        return self.tried is not None


def release(
    ledger: RuleLedger, candidate: Candidate, *, at: str, by: str, notes: str,
    backport: bool = False,
) -> Released:  # fmt: skip
    """Release a rule set with its scenarios into a store.

    ReleaseError when that would change a released version, or when `rehearse` raises it.
    """
    rules = candidate.rules
    build_engine(rules.rule_set)
    same = _released_before(ledger, candidate)
    if same is not None:
        return same
    highest = _highest(ledger, rules.rule_set.name)
    said: tuple[str, ...] = ()
    if highest is not None and highest.version != rules.rule_set.version:
        said = _said_of_step(highest, rules.rule_set, backport=backport)
    _check_size(candidate.scenarios)
    tried = candidate.rehearse()
    number = ledger.release(rules, tried, at=at, by=by, notes=notes, backport=backport)
    return Released(number, said, tried)


def _released_before(ledger: RuleLedger, candidate: Candidate) -> Released | None:
    """The release of the very same; ReleaseError when other content has its version."""
    rule_set = candidate.rules.rule_set
    hashes = rule_set.sha256, candidate.scenarios.sha256
    for item in ledger.releases():
        if item.rules.spec == rule_set.spec:
            when = f"on {item.released_at[:10]} by {item.by}"
            _check_same(rule_set, hashes, (item.rules.sha256, item.scenarios_sha256), when)
            notes = [f"it was released {when}, as it is now"]
            if item.scenarios_sha256 is None and candidate.scenarios.files:
                notes.append(
                    "it was released before scenarios were kept, so its scenarios go with the next "
                    "version"
                )
            return Released(item.rules.id, tuple(notes))
    for listed in library_releases():
        if listed.spec == rule_set.spec:
            _check_same(
                rule_set, hashes, (listed.sha256, listed.scenarios_sha256), "with Tidewarden"
            )
    return None


def _check_same(
    rule_set: RuleSet, now: tuple[str, str], then: tuple[str, str | None], when: str
) -> None:
    """That rules and scenarios (their hashes) are as they were released; None: nobody knows."""
    changed = [
        what
        for what, one, other in zip(("content", "scenarios"), now, then, strict=True)
        if other not in (None, one)
    ]
    if changed:
        upward = next_version(rule_set.version, Step.PATCH)
        raise ReleaseError(
            f"{rule_set.spec} was released {when} with other {' and '.join(changed)}, and a "
            'released version, with its scenarios, never changes: raise "version" in '
            f"rule-set.yaml, for instance to {upward}"
        )


def _check_size(scenarios: ScenarioFiles) -> None:
    if scenarios.size_bytes > MOST_BYTES:
        largest = max(scenarios.files, key=lambda name: len(scenarios.files[name]))
        raise ReleaseError(
            f"the scenarios hold {scenarios.size_bytes / 1e6:.0f} MB, and a release keeps at most "
            f"{MOST_BYTES / 1e6:.0f} MB: shorten the recordings, first {largest}"
        )


def released(ledger: RuleLedger, spec: str) -> LoadedRules:
    """The released rule set NAME@VERSION, from the store or the library."""
    for item in ledger.releases():
        if item.rules.spec == spec:
            return loaded_again(ledger.files(item.rules.id))
    listed = next((item for item in library_releases() if item.spec == spec), None)
    if listed is None:
        raise ReleaseError(_not_released(ledger, spec))
    found = load_rules(spec)
    for what, now, then in (
        ("files", found.rule_set.sha256, listed.sha256),
        ("scenarios", scenario_files(spec).sha256, listed.scenarios_sha256),
    ):
        if now != then:
            raise ReleaseError(
                f"{spec}: its {what} in the library are not those that were released "
                f"(hash {now[:12]}, released {then[:12]}): install again"
            )
    return found


def find(spec: str, ledger: RuleLedger) -> LoadedRules:
    """NAME@VERSION released into the store, or in the library, or a folder."""
    if any(item.rules.spec == spec for item in ledger.releases()):
        return released(ledger, spec)
    try:
        return load_rules(spec)
    except RuleFilesError as error:
        if "@" not in spec:
            raise
        raise RuleFilesError(f"{error}; released in the store: {_specs(ledger)}") from None


def _said_of_step(highest: RuleSet, rule_set: RuleSet, *, backport: bool) -> tuple[str, ...]:
    """Refuses a version that does not go up; else whether the step fits what changed."""
    asked = asked_step(difference(highest, rule_set)) or Step.PATCH
    fitting = next_version(highest.version, asked)
    taken = taken_step(highest.version, rule_set.version)
    if taken is None:
        if backport:
            return (f"released beside the higher {highest.version}",)
        raise ReleaseError(
            f"{rule_set.spec} is not higher than {highest.version}, the highest released: raise "
            f'"version" in rule-set.yaml, to {fitting} by what changed, or add --backport to '
            "release beside it"
        )
    if asked > taken:
        return (
            f"the changes since {highest.version} ask for a {asked.words} step, to {fitting}; "
            f"this is a {taken.words} step",
        )
    return ()


def _highest(ledger: RuleLedger, name: str) -> RuleSet | None:
    """The highest released version of this name, in the store or the library."""
    known: dict[str, Callable[[], LoadedRules]] = {
        item.version: partial(load_rules, item.spec)
        for item in library_releases()
        if item.name == name and item.spec in library()
    }
    for item in ledger.releases():
        if item.rules.name == name:
            known[item.rules.version] = partial(_kept, ledger, item.rules.id)
    if not known:
        return None
    highest = max(known, key=lambda text: parse_version(text).precedence)
    return known[highest]().rule_set


def _kept(ledger: RuleLedger, number: int) -> LoadedRules:
    return loaded_again(ledger.files(number))


def _not_released(ledger: RuleLedger, spec: str) -> str:
    if "@" not in spec:
        what = "is not NAME@VERSION: release the folder first (tidewarden rules release FOLDER)"
        return f"{spec!r} {what}"
    if spec in library():
        return f"{spec} is in the library but not released: only a released version can be used"
    return f"{spec} is not released; released are: {_specs(ledger)}"


def _specs(ledger: RuleLedger) -> str:
    own = [item.rules.spec for item in ledger.releases()]
    return ", ".join([*own, *(item.spec for item in library_releases() if item.spec not in own)])
