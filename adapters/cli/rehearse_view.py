"""What the terminal says of a rehearsal: first what is not as expected, then what was tested."""

from __future__ import annotations

from typing import Final

from rich.console import Console
from rich.padding import Padding
from rich.text import Text

from adapters.cli.words import tried_words
from adapters.rehearsal.pool import Rehearsal
from adapters.rehearsal.run import Rehearsed
from rules.condition_words import leaf_words
from rules.coverage import Clause
from rules.coverage import clauses as clauses_of
from rules.model import RuleSet

_SHOWN: Final = 15


def print_rehearsal(
    console: Console, rule_set: RuleSet, rehearsal: Rehearsal, took_s: float, *, clauses: bool
) -> None:
    """Failures, a summary, changes that nobody notices; and `clauses` that were not tested."""
    for one in rehearsal.rehearsed:
        if not one.passed:
            print_failure(console, one)
    _print_summary(console, rule_set, rehearsal, took_s)
    _print_clauses(console, rule_set, rehearsal, each=clauses)
    if rehearsal.changes:
        _print_changes(console, rehearsal)


def print_failure(console: Console, one: Rehearsed) -> None:
    """What was asked of a scenario and did not come, and what came."""
    scenario = one.scenario
    console.print(f"not as expected: {scenario.name}", style="bold red")
    _indented(console, f"{scenario.where}, {scenario.animal}", "dim")
    for verdict in one.verdicts:
        if not verdict.met:
            _indented(console, f"{verdict.asks}: {verdict.why}  ({verdict.where})")


def _print_summary(
    console: Console, rule_set: RuleSet, rehearsal: Rehearsal, took_s: float
) -> None:
    done = rehearsal.rehearsed
    failed = sum(not one.passed for one in done)
    console.print(f"{rule_set.spec}: {tried_words(len(done), failed)}.", style="bold")
    simulated_s = sum(one.lasts_s for one in done)
    speed = simulated_s / took_s if took_s else 0.0
    console.print(
        f"{simulated_s / 60.0:,.0f} min of patients in {took_s:.1f} s: {speed:,.0f} times as fast "
        "as they live."
    )


def _print_clauses(
    console: Console, rule_set: RuleSet, rehearsal: Rehearsal, *, each: bool
) -> None:
    share = rehearsal.clauses
    console.print(
        f"Clauses seen true, false and deciding: {share.count:,} of {share.of:,} "
        f"({100.0 * share.value:.1f} %)."
    )
    if not each:
        return
    seen = rehearsal.coverage.clauses
    missing = [clause for clause in clauses_of(rule_set) if not seen[clause.key].whole]
    for clause in missing[:_SHOWN]:
        _indented(console, f"{_clause(clause)}: never {seen[clause.key].never}")
    _more(console, len(missing), "--json lists all")


def _clause(clause: Clause) -> str:
    rule, condition, _ = clause.key
    return f"{rule}, {condition}: {leaf_words(clause.leaf)}"


def _print_changes(console: Console, rehearsal: Rehearsal) -> None:
    share, thresholds = rehearsal.noticed, rehearsal.thresholds
    console.print(
        f"Small changes of the rules that some scenario notices: {share.count:,} of {share.of:,} "
        f"({100.0 * share.value:.1f} %); of moved limits and times {thresholds.count:,} of "
        f"{thresholds.of:,} ({100.0 * thresholds.value:.1f} %)."
    )
    open_ones = [one for one in rehearsal.survivors if rehearsal.reason(one) is None]
    accepted = len(rehearsal.survivors) - len(open_ones)
    for mutant in open_ones[:_SHOWN]:
        _indented(console, f"unnoticed: {mutant.of}: {mutant.words}")
    _more(console, len(open_ones), "--json lists all, --propose DIR writes scenarios for them")
    if accepted:
        _indented(console, f"{accepted} more are accepted, each with its reason.", "dim")
    for stale in rehearsal.stale():
        words = f"{stale.where}: accepted, and yet noticed: {stale.of}: {stale.change}"
        _indented(console, words, "yellow")


def _indented(console: Console, words: str, style: str = "") -> None:
    console.print(Padding(Text(words, style=style), (0, 0, 0, 4)))


def _more(console: Console, count: int, how: str) -> None:
    if count > _SHOWN:
        _indented(console, f"and {count - _SHOWN} more: {how}", "dim")
