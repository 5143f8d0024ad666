"""Scenarios of releases: rehearsed before a release, and found again in the store that keeps it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass
from pathlib import Path

from adapters.bar import Bar
from adapters.library_releases import ReleaseError
from adapters.rehearsal.files import find_scenarios
from adapters.rehearsal.pool import rehearse_all
from adapters.rule_activation import open_ledger
from adapters.rule_files import LoadedRules, RuleFilesError, load_rules
from adapters.rule_policy import Policy
from adapters.rule_releases import find
from adapters.scenario_files import NO_SCENARIOS, ScenarioFiles, Tried


def tried(
    rules: LoadedRules, scenarios: ScenarioFiles, jobs: int, bar: Bar, policy: Policy,
    override_reason: str | None = None,
) -> Tried:  # fmt: skip
    """What comes of these very files: what a release keeps is what was rehearsed.

    ReleaseError when one is not as expected, unless the policy lets `override_reason` count.
    """
    if not scenarios.files:
        return Tried()
    with scenarios.laid_out() as folder:
        found = find_scenarios(rules.rule_set.spec, rules, [folder])
        with bar(len(found.scenarios)) as each:
            rehearsal = rehearse_all(rules, found, jobs, each)
    failed = [one.scenario.name for one in rehearsal.rehearsed if not one.passed]
    objection = policy.objection_to_release(failed, override_reason)
    if objection is not None:
        count = len(rehearsal.rehearsed)
        raise ReleaseError(f"{rules.rule_set.spec}: {len(failed)} of {count} scenarios {objection}")
    reason = override_reason.strip() if override_reason and failed else None
    return Tried(scenarios, len(rehearsal.rehearsed), len(failed), reason)


@dataclass(frozen=True, slots=True)
class Chosen:
    """A rule set by the name that it was asked for, and where its scenarios lie.

    `folder` has those that a store keeps; None: they lie beside the rules. `missing` says why a
    released version has none.
    """

    spec: str
    rules: LoadedRules
    folder: Path | None = None
    missing: str | None = None

    def answers_to(self, name: str) -> bool:
        """Whether `name` means this rule set."""
        return name in (self.spec, self.rules.rule_set.spec)

    def paths(self, given: Sequence[Path] = ()) -> Sequence[Path]:
        """Where to look for scenarios: `given`, else the store's; of nothing beside the rules.

        RuleFilesError when the store has none.
        """
        if not given and self.missing is not None:
            raise RuleFilesError(f"{self.spec} {self.missing}: name files or folders of scenarios")
        return given if given or self.folder is None else (self.folder,)


@contextmanager
def chosen(spec: str, store: Path | None) -> Iterator[Chosen]:
    """The rule set NAME@VERSION released into the store, or of the library, or in a folder.

    What a store keeps of its scenarios lies in a folder while this is entered.
    """
    missing = None
    scenarios = NO_SCENARIOS
    if store is None:
        rules = load_rules(spec)
    else:
        with open_ledger(store) as ledger:
            rules = find(spec, ledger)
            of = next((one for one in ledger.releases() if one.rules.spec == spec), None)
            if of is not None:
                scenarios = ledger.scenarios(of.rules.id)
                then = "before scenarios were kept" if of.scenarios is None else "without scenarios"
                missing = None if scenarios.files else f"was released {then}"
    with scenarios.laid_out() if scenarios.files else nullcontext() as folder:
        yield Chosen(spec, rules, folder, missing)
