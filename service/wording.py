"""What an advisory says when it is raised: text, rationale, evidence, doubts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

from rules import rationale
from rules.differential import weigh
from rules.limits import Confidence, ResolvedLimit
from rules.model import Cause, Group, Rule
from rules.rationale import ClauseResult, display, explain, render
from rules.vocabulary import CATALOGUE
from service.advisories import Advisory, Evidence, Moment
from service.bedside import Bedside
from service.facts import FactSet, sources_of

_CONFIDENCE: Final = {
    Confidence.PUBLISHED: "published",
    Confidence.COMMON_PRACTICE: "common practice",
    Confidence.MEMORY: "from memory",
}


def write_advisory(
    bedside: Bedside,
    rule: Rule,
    moment: Moment,
    onset_ms: int,
    identity: str,
    causes: Mapping[str, Cause] | None = None,
) -> Advisory:
    """A new advisory for `rule` with everything a reader needs to check it.

    `causes` are those that the rule set describes.
    """
    facts, limits = moment.facts, moment.limits
    held_s = (moment.now_ms - onset_ms) / 1000.0
    clauses = explain(rule.when, facts.values, limits, facts.unknown)

    def filled(template: str) -> str:
        return render(template, facts.values, limits, facts.unknown, held_s)

    return Advisory(
        id=identity,
        rule=rule.id,
        priority=rule.priority,
        onset_ms=onset_ms,
        raised_ms=moment.now_ms,
        patient=moment.patient,
        title=rule.title,
        says=filled(rule.says),
        because=filled(rule.because),
        look_at=[filled(check) for check in rule.look_at],
        source=rule.source.ref,
        confidence=_CONFIDENCE[Confidence(rule.source.confidence)],
        caution=rule.caution,
        clears_when=_clears_when(rule, moment),
        uncertainty=_uncertainty(rule, clauses, moment),
        evidence=_evidence(bedside, clauses, moment.facts),
        cause=rule.cause,
        differential=weigh(
            rule, causes or {}, rationale.Moment(facts.values, limits, facts.unknown)
        ),
    )


def _evidence(bedside: Bedside, clauses: Sequence[ClauseResult], facts: FactSet) -> list[Evidence]:
    readings: dict[str, list[str]] = {}
    for fact, reference in sources_of(bedside, {clause.fact for clause in clauses}):
        readings.setdefault(fact, []).append(reference)
    return [
        Evidence(
            clause=clause.text,
            fact=clause.fact,
            value=clause.value,
            unit=clause.unit,
            limit=clause.operand_name,
            limit_value=clause.operand_value,
            readings=readings.get(clause.fact, []),
            quality=facts.quality.get(clause.fact),
        )
        for clause in clauses
        if clause.holds
    ]


def _clears_when(rule: Rule, moment: Moment) -> str:
    condition = rule.clearing
    facts = moment.facts
    clauses = explain(condition, facts.values, moment.limits, facts.unknown)
    joined = " and " if isinstance(condition, Group) and condition.kind == "all" else " or "
    words = joined.join(_wanted(clause) for clause in clauses)
    return f"{words}, for {rule.clears_for_s:g} s" if rule.clears_for_s else words


def _wanted(clause: ClauseResult) -> str:
    """What a clause asks for, without the value of now: `end-tidal CO2 below 52 mmHg`."""
    words = f"{CATALOGUE[clause.fact].meaning} {clause.op.replace('_', ' ')}"
    if clause.operand_value is None:
        return f"{words} limit {clause.operand_name}" if clause.operand_name else words
    return f"{words} {display(clause.operand_value, clause.fact)}"


def _uncertainty(rule: Rule, clauses: Sequence[ClauseResult], moment: Moment) -> list[str]:
    """Everything that makes the advisory less sure, each in one sentence."""
    doubts: list[str] = []
    if rule.source.confidence == Confidence.MEMORY:
        doubts.append("The rule rests on memory, not on a source that was read; approve it locally")
    used = [clause.operand_name for clause in clauses if clause.holds and clause.operand_name]
    for name in dict.fromkeys(used):
        doubts.extend(_limit_doubts(moment.limits[name]))
    facts = moment.facts
    for fact in dict.fromkeys(clause.fact for clause in clauses if clause.holds):
        if fact in facts.quality:
            quality, doubt = facts.quality[fact], facts.doubts[fact]
            meaning = CATALOGUE[fact].meaning
            meaning = meaning[0].upper() + meaning[1:]
            doubts.append(f"{meaning} could only be read with quality {quality:.1f}: {doubt}")
    unknown = [CATALOGUE[clause.fact].meaning for clause in clauses if clause.holds is None]
    if unknown:
        doubts.append("Not known: " + ", ".join(dict.fromkeys(unknown)))
    return doubts


def _limit_doubts(limit: ResolvedLimit) -> list[str]:
    doubts = []
    if limit.source is not None and limit.source.confidence != Confidence.PUBLISHED:
        words = _CONFIDENCE[Confidence(limit.source.confidence)]
        doubts.append(f"Limit {limit.name} is {words}; approve it locally")
    if limit.note:
        doubts.append(f"Limit {limit.name}: {limit.note}")
    return doubts
