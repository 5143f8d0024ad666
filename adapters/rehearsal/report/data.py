"""A rehearsal for programs: everything as JSON."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from adapters.rehearsal.report.report import Report, Survivor
from adapters.rehearsal.run import Rehearsed
from adapters.rehearsal.shares import Share, clause_share, noticed_share
from rules.condition_words import leaf_words
from rules.coverage import Clause, Coverage, Seen
from rules.coverage import clauses as clauses_of
from rules.mutation import MOVED
from rules.notice import NOTICE
from service.outbound import rule_set_words


def json_body(report: Report) -> dict[str, Any]:
    """What came of each scenario, of each clause, and of each small change. Times in s.

    Without coverage `clauses` and `limits` are left out, as is a time that was not measured; of no
    small changes there are 0.
    """
    done = report.rehearsed
    body: dict[str, Any] = {
        "notice": NOTICE,
        "rule_set": rule_set_words(report.rule_set),
        "scenarios": len(done),
        "not_as_expected": len(report.failed),
        "simulated_s": round(report.simulated_s, 3),
    }
    if report.took_s is not None:
        body["took_s"] = round(report.took_s, 3)
    if report.coverage is not None:
        body |= _covered(report, report.coverage)
    body["changes"] = _changes(report, report.survivors or ())
    body["results"] = [_result(one, report.each_took_s) for one in done]
    return body


def _share(share: Share) -> dict[str, Any]:
    return {"count": share.count, "of": share.of, "share": round(share.value, 4)}


def _covered(report: Report, coverage: Coverage) -> dict[str, Any]:
    seen = coverage.clauses
    missing = [one for one in clauses_of(report.rule_set) if not seen[one.key].whole]
    return {
        "clauses": _share(clause_share(coverage))
        | {"not_whole": [_clause(one, seen[one.key]) for one in missing]},
        "limits": [
            {"limit": name, "where": where, "deciding": count}
            for (name, where), count in sorted(coverage.limits.items())
        ],
    }


def _clause(clause: Clause, seen: Seen) -> dict[str, Any]:
    rule, condition, _ = clause.key
    return {
        "rule": rule,
        "condition": condition,
        "clause": leaf_words(clause.leaf),
        "never": seen.never,
        "true": seen.true,
        "false": seen.false,
        "deciding": seen.deciding,
    }


def _changes(report: Report, survivors: Sequence[Survivor]) -> dict[str, Any]:
    changes = report.changes
    return _share(noticed_share(changes, survivors)) | {
        "limits_and_times": _share(noticed_share(changes, survivors, MOVED)),
        "made": dict(changes),
        "unnoticed": [
            {
                "of": one.of,
                "kind": one.kind,
                "change": one.words,
                "accepted_because": one.reason,
            }
            for one in survivors
        ],
        "accepted_and_yet_noticed": [
            {
                "of": one.of,
                "change": one.change,
                "because": one.because,
                "file": one.where.file,
                "line": one.where.line,
            }
            for one in report.stale
        ],
    }


def _result(one: Rehearsed, took_s: Mapping[str, float]) -> dict[str, Any]:
    scenario = one.scenario
    measured = {} if scenario.name not in took_s else {"took_s": round(took_s[scenario.name], 3)}
    return {
        "scenario": scenario.name,
        "file": scenario.where.file,
        "line": scenario.where.line,
        "animal": str(scenario.animal),
        "lasts_s": round(one.lasts_s, 3),
        **measured,
        "as_expected": one.passed,
        "points": [
            {
                "asks": verdict.asks,
                "met": verdict.met,
                "came": verdict.why,
                "rule": verdict.rule,
                "at_s": verdict.at_s,
                "file": verdict.where.file,
                "line": verdict.where.line,
            }
            for verdict in one.verdicts
        ],
    }
