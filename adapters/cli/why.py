"""`tidewarden why`: why something was advised at a place, and why something else was not."""

from __future__ import annotations

import json
from collections.abc import Iterable
from pathlib import Path
from typing import Any, Final

import click
from rich.console import Console
from rich.padding import Padding
from rich.text import Text

from adapters.cli.failures import bad_input
from adapters.cli.screen import screen
from adapters.cli.store_options import store_file_option
from adapters.cli.words import MARKS, STYLES
from adapters.rule_files import load_rules
from adapters.sqlite.store import store_file
from adapters.why import Past, past
from rules.notice import NOTICE
from rules.rationale import ClauseResult, margin_words
from rules.reading import nearest
from service.instants import to_text
from service.why import Why, why, why_all

NEAREST: Final = 8
_TICKS: Final = {True: "yes", False: "no ", None: "?  "}


@click.command("why", short_help="Say why a place was advised what it was, or not.")
@click.argument("place")
@store_file_option
@click.option(
    "--rule", "rule_id", help="One rule in full; without it, what stands and what is near."
)
@click.option("--at", help="An instant (RFC 3339, UTC), or a time from the beginning: 95s.")
@click.option("--rules", "spec", help="Other rules than those that decided then.")
@click.option("--json", "as_json", is_flag=True, help="Print as JSON.")
def why_command(
    *, place: str, store: Path, rule_id: str | None, at: str | None, spec: str | None, as_json: bool
) -> None:
    """Say why PLACE (WARD/PLACE) was advised what it was, or not, at any moment of a store.

    Each clause of a rule with its value, its limit, its margin, and what would have to change.
    """
    with bad_input():
        found = past(store_file(store), place, at, load_rules(spec) if spec else None)
    rules = {rule.id: rule for rule in found.rule_set.rules}
    if rule_id is None:
        reasons = why_all(found.rule_set, found.moment, found.tracked)
    elif rule_id in rules:
        reasons = [why(rules[rule_id], found.moment, found.tracked)]
    else:
        raise click.UsageError(f'"{rule_id}" is not a rule{nearest(rule_id, rules)}')
    if as_json:
        click.echo(json.dumps(_body(place, found, reasons), ensure_ascii=False, indent=2))
        return
    _Printer(screen()).print(place, found, reasons, whole=rule_id is not None)


class _Printer:
    def __init__(self, console: Console) -> None:
        self._console = console

    def print(self, place: str, found: Past, reasons: list[Why], *, whole: bool) -> None:
        rules = found.rule_set.spec
        self._console.print(Text(f"{place}  {_patient(found)}", style="bold"))
        self._console.print(f"at {to_text(found.at_ms)}, by {rules}\n")
        if whole:
            self._whole(reasons[0])
        else:
            self._overview(reasons)
        self._console.print(f"\n{NOTICE}", style="dim")

    def _overview(self, reasons: list[Why]) -> None:
        standing = [r for r in reasons if r.state == "stands"]
        self._console.print(f"Standing: {len(standing) or 'nothing'}")
        for reason in standing:
            self._heading(reason)
            self._clauses("because", [c for c in reason.when if c.holds])
            self._clauses("over when", reason.in_the_way)
        waiting = [r for r in reasons if r.state == "waits"]
        if waiting:
            self._console.print(f"\nHolding, but not yet for long enough: {len(waiting)}")
        for reason in waiting:
            self._heading(reason)
        near = [r for r in reasons if r.state == "does not hold"]
        self._console.print("\nNearest to speaking, and what would have to change:")
        for reason in near[:NEAREST]:
            self._heading(reason)
            self._clauses("", reason.in_the_way)
        unjudged = [r for r in reasons if r.state == "not judged"]
        if unjudged:
            names = ", ".join(r.rule.id for r in unjudged)
            self._console.print(f"\nNot judged, since something is not known: {names}")
        self._console.print(
            f"\n{len(near)} rules do not hold, "
            f"{sum(r.state == 'out of scope' for r in reasons)} do not apply here. "
            "One rule in full: --rule ID",
            style="dim",
        )

    def _whole(self, reason: Why) -> None:
        self._heading(reason)
        for key, asked, label in reason.scope:
            fits = None if label is None else label in asked
            words = f"{key} is {label or 'unknown'} (applies in {', '.join(asked)})"
            self._line(f"{_TICKS[fits]} {words}")
        self._clauses("needs", reason.needs)
        # Where every clause would have to change, the same ones are not told twice.
        if reason.state == "stands":
            self._clauses("when", reason.when)
            if reason.clears != reason.in_the_way:
                self._clauses("clears", reason.clears)
            self._clauses("for it to be over", reason.in_the_way)
        elif reason.when == reason.in_the_way:
            self._clauses("when, and for it to speak this would have to change", reason.when)
        else:
            self._clauses("when", reason.when)
            self._clauses("for it to speak this would have to change", reason.in_the_way)
        self._line(f"source: {reason.rule.source.ref} ({reason.rule.source.confidence.value})")

    def _heading(self, reason: Why) -> None:
        rule, priority = reason.rule, reason.rule.priority.value
        held = "" if reason.held_s is None else f", has held for {reason.held_s:.0f} s"
        waits = f" of {rule.for_s:g} s" if reason.state == "waits" else ""
        line = Text(f"{MARKS[priority]} {priority:6} ", style=STYLES[priority])
        line.append(f"{rule.id}", style="bold").append(
            f"  {rule.title}: {reason.state}{held}{waits}"
        )
        self._console.print(line)

    def _clauses(self, title: str, clauses: Iterable[ClauseResult]) -> None:
        lines = [f"{_TICKS[clause.holds]} {clause.text}{_margin(clause)}" for clause in clauses]
        if title and lines:
            self._line(f"{title}:")
        for line in lines:
            self._line(line, 4 if title else 2)

    def _line(self, words: str, indent: int = 2) -> None:
        self._console.print(Padding(Text(words), (0, 0, 0, indent + 2)))


def _margin(clause: ClauseResult) -> str:
    if clause.margin is None:
        return ""
    return f"  [{margin_words(clause)} {'to spare' if clause.margin >= 0 else 'short'}]"


def _patient(found: Past) -> str:
    patient = found.place.bedside.patient
    if patient is None:
        return "(no patient announced)"
    mass = "" if patient.mass_kg is None else f", {patient.mass_kg:g} kg"
    return f"{patient.patient}, {patient.species}{mass}, {patient.phase}"


def _body(place: str, found: Past, reasons: list[Why]) -> dict[str, Any]:
    return {
        "notice": NOTICE,
        "place": place,
        "patient": _patient(found),
        "at": to_text(found.at_ms),
        "rule_set": {
            "name": found.rule_set.name,
            "version": found.rule_set.version,
            "sha256": found.rule_set.sha256,
        },
        "rules": [
            {
                "rule": r.rule.id,
                "title": r.rule.title,
                "priority": r.rule.priority.value,
                "state": r.state,
                "explained_by": r.explained_by,
                "held_s": r.held_s,
                "source": {"ref": r.rule.source.ref, "confidence": r.rule.source.confidence.value},
                "for_s": r.rule.for_s,
                "scope": [
                    {"key": key, "applies_in": list(asked), "is": label}
                    for key, asked, label in r.scope
                ],
                "needs": [_clause(c) for c in r.needs],
                "when": [_clause(c) for c in r.when],
                "clears": [_clause(c) for c in r.clears],
                "would_have_to_change": [_clause(c) for c in r.in_the_way],
            }
            for r in reasons
        ],
    }


def _clause(clause: ClauseResult) -> dict[str, Any]:
    return {
        "clause": clause.text,
        "holds": clause.holds,
        "fact": clause.fact,
        "value": clause.value,
        "unit": clause.unit,
        "comparison": clause.op,
        "limit": clause.operand_name,
        "limit_value": clause.operand_value,
        "margin": clause.margin,
        "margin_words": _margin(clause).strip(" []"),
    }
