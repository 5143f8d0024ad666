"""The list of a replay says of an advisory that was explained when it came that it kept quiet."""

from __future__ import annotations

import json
from pathlib import Path

from click.testing import CliRunner

from adapters.cli.main import main
from adapters.evaluation.population import Case, draw_case
from adapters.evaluation.run import record_case


def _first(fault: str) -> Case:
    """A drawn case with this fault at its worst."""
    cases = (draw_case(31, number) for number in range(200))
    drawn = ((case, case.fault) for case in cases if case.fault is not None)
    return next(case for case, one in drawn if (one.id, one.severity) == (fault, "severe"))


def test_what_was_explained_when_it_came_is_shown_as_quiet(tmp_path: Path) -> None:
    recording, out = tmp_path / "gas-fails.jsonl", tmp_path / "out"
    record_case(_first("fresh-gas"), recording)
    done = CliRunner().invoke(main, ["replay", str(recording), "--out", str(out)])
    assert done.exit_code == 0
    events = [json.loads(line) for line in (out / "advisories.jsonl").read_text().splitlines()]
    raised = {event["id"]: event for event in events if event["event"] == "raised"}
    explained = {
        event["rule"]: raised[event["outranked_by"]]["rule"]
        for event in raised.values()
        if event["outranked_by"]
    }
    assert explained["volume-large"] == "gas-mostly-lost"
    summary = json.loads((out / "summary.json").read_text())
    listed = {item["rule"]: item["explained_by"] for item in summary["advisories"]}
    assert listed["gas-mostly-lost"] is None
    assert {rule: by for rule, by in listed.items() if by} == explained
    assert "quiet: gas-mostly-lost explains it" in " ".join(done.output.split())
