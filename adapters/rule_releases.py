"""What is released: the versions of the library as its list says, and those in a site's store."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

from adapters.library_releases import ReleaseError, library_releases
from adapters.rule_files import LoadedRules, RuleFilesError, library, load_rules, loaded_again
from adapters.sqlite.ledger import RuleLedger
from rules.changes import Step, asked_step, next_version, taken_step
from rules.difference import difference
from rules.engine import build_engine
from rules.model import RuleSet
from rules.versions import parse_version


@dataclass(frozen=True, slots=True)
class Released:
    """What came of releasing: where the store has it, and what a reader should know."""

    rule_set_id: int
    notes: tuple[str, ...]
    new: bool = True


def release(
    ledger: RuleLedger, rules: LoadedRules, *, at: str, by: str, notes: str, backport: bool = False
) -> Released:
    """Release a rule set into a store. ReleaseError when that would change a released version."""
    rule_set = rules.rule_set
    build_engine(rule_set)
    for item in ledger.releases():
        if item.rules.spec == rule_set.spec:
            if item.rules.sha256 == rule_set.sha256:
                same = f"it was released on {item.released_at[:10]} by {item.by}, as it is now"
                return Released(item.rules.id, (same,), new=False)
            raise ReleaseError(_changed(rule_set, f"on {item.released_at[:10]} by {item.by}"))
    for listed in library_releases():
        if listed.spec == rule_set.spec and listed.sha256 != rule_set.sha256:
            raise ReleaseError(_changed(rule_set, "with Tidewarden"))
    highest = _highest(ledger, rule_set.name)
    said: tuple[str, ...] = ()
    if highest is not None and highest.version != rule_set.version:
        said = _said_of_step(highest, rule_set, backport=backport)
    number = ledger.release(rule_set, rules.files, at=at, by=by, notes=notes, backport=backport)
    return Released(number, said)


def released(ledger: RuleLedger, spec: str) -> LoadedRules:
    """The released rule set NAME@VERSION, from the store or the library."""
    for item in ledger.releases():
        if item.rules.spec == spec:
            return loaded_again(ledger.files(item.rules.id))
    listed = next((item for item in library_releases() if item.spec == spec), None)
    if listed is None:
        raise ReleaseError(_not_released(ledger, spec))
    found = load_rules(spec)
    if found.rule_set.sha256 != listed.sha256:
        raise ReleaseError(
            f"{spec}: its files in the library are not those that were released "
            f"(hash {found.rule_set.sha256[:12]}, released {listed.sha256[:12]}): install again"
        )
    return found


def find(spec: str, ledger: RuleLedger | None) -> LoadedRules:
    """NAME@VERSION released into the store, or in the library, or a folder."""
    if ledger is not None and any(item.rules.spec == spec for item in ledger.releases()):
        return released(ledger, spec)
    try:
        return load_rules(spec)
    except RuleFilesError as error:
        if ledger is None or "@" not in spec:
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


def _changed(rule_set: RuleSet, when: str) -> str:
    upward = next_version(rule_set.version, Step.PATCH)
    return (
        f"{rule_set.spec} was released {when} with other content, and a released version never "
        f'changes: raise "version" in rule-set.yaml, for instance to {upward}'
    )


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
