"""Replay: recordings or stores through the code that runs live, and what came of it as files."""

from __future__ import annotations

import csv
import json
import logging
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import chain
from pathlib import Path
from typing import Any, Final

from adapters.plots import Recorded
from adapters.recordings import read_recording
from adapters.rule_files import LoadedRules, loaded_again
from adapters.sqlite.reading import (
    Run,
    StoreError,
    open_for_reading,
    read_arrivals,
    read_progress,
    read_runs,
    stretches,
)
from rules.engine import EngineError, build_engine
from rules.loading import RuleSetError
from rules.notice import NOTICE
from rules.versions import content_hash
from service.instants import from_text, to_text
from service.intake import Arrival
from service.messages import RefusalError, parse, split_topic
from service.outbound import rule_set_words
from service.watch import CYCLE_MS, Outcome, Watch

log = logging.getLogger("tidewarden")

#: After the last message of a recording the watch goes on for this long, so that what the silence
#: means is seen; a recording that was cut is not a device that fell silent, so not for longer.
RUN_OUT_MS: Final = 1000
#: A patient counts as watched in each stretch of this length in which something came of it.
HEARD_MS: Final = 10_000
_BATCH: Final = 500


class TrialFailedError(RuntimeError):
    """The rules that were to be tried could not be evaluated; the text says where."""


@dataclass(slots=True)
class Replayed:
    """Everything a replay brought to light. `begins_ms` is the recording's first `at`."""

    rules: LoadedRules
    engine: str
    begins_ms: int | None = None
    ends_ms: int = 0
    breaths: list[dict[str, Any]] = field(default_factory=list)
    capnogram: list[dict[str, Any]] = field(default_factory=list)
    efforts: list[dict[str, Any]] = field(default_factory=list)
    events: list[dict[str, Any]] = field(default_factory=list)
    #: What the rules on trial would have said, where some were given.
    trial_events: list[dict[str, Any]] = field(default_factory=list)
    #: Where and when something came: place, and number of the 10 s.
    heard: set[tuple[str, int]] = field(default_factory=set)
    accepted: int = 0
    refused: list[dict[str, str]] = field(default_factory=list)
    repeats: int = 0
    evaluations: int = 0
    #: What was recorded at each place, kept only where it is to be drawn.
    recorded: Recorded | None = None

    def take(self, outcome: Outcome) -> None:
        """Add what one step decided."""
        self.accepted += len(outcome.accepted)
        self.repeats += outcome.repeats
        self.evaluations += outcome.evaluations
        self.events.extend(body for _, _, body in outcome.events)
        self.trial_events.extend(body for _, _, body in outcome.trial_events)
        self.heard.update(
            (f"{item.ward}/{item.place}", item.arrival.received_ms // HEARD_MS)
            for item in outcome.accepted
        )
        self.refused.extend(
            {"topic": item.arrival.topic, "reason": item.reason} for item in outcome.refused
        )
        self._take_breaths(outcome)
        if outcome.trial_failed is not None:
            raise TrialFailedError(outcome.trial_failed)
        if self.recorded is not None:
            self.recorded.take(outcome.accepted)

    def _take_breaths(self, outcome: Outcome) -> None:
        for name, breath, volume in outcome.breaths:
            inflation = breath.inflation
            self.breaths.append(
                {
                    "place": name,
                    "start_s": inflation.start_s,
                    "ti_s": inflation.ti_s,
                    "te_s": breath.te_s,
                    "pip_cmh2o": inflation.pip_cmh2o,
                    "baseline_cmh2o": inflation.baseline_cmh2o,
                    "mean_cmh2o": breath.mean_cmh2o,
                    "tidal_volume_ml": None if volume is None else volume.value,
                    "kind": inflation.kind,
                    "tidal_volume_low_ml": None if volume is None else volume.low,
                    "tidal_volume_high_ml": None if volume is None else volume.high,
                    "step_cmh2o": inflation.step_cmh2o,
                    "slope_cmh2o_per_s": inflation.slope_cmh2o_per_s,
                    "driving_cmh2o": inflation.driving_cmh2o,
                    "area_cmh2o_s": inflation.area_cmh2o_s,
                    "unfinished_cmh2o": breath.unfinished_cmh2o,
                    "effort_cmh2o": inflation.effort_cmh2o,
                    "quality": inflation.quality,
                    "bend": inflation.bend,
                    "because": "; ".join(filter(None, (inflation.why, inflation.doubt))),
                }
            )
        self._take_efforts(outcome)
        for name, seen in outcome.co2_breaths:
            self.capnogram.append(
                {
                    "place": name,
                    "start_s": seen.start_s,
                    "etco2_mmhg": seen.etco2_mmhg,
                    "fico2_mmhg": seen.fico2_mmhg,
                    "plateau_slope_mmhg_per_s": seen.slope_mmhg_per_s,
                    "plateau_s": seen.plateau_lasts_s,
                    "notch_mmhg": seen.notch_mmhg,
                    "quality": seen.quality,
                    "because": seen.why,
                }
            )

    def _take_efforts(self, outcome: Outcome) -> None:
        for name, effort in outcome.efforts:
            self.efforts.append(
                {
                    "place": name,
                    "start_s": effort.start_s,
                    "lasts_s": effort.end_s - effort.start_s,
                    "height_cmh2o": -effort.depth_cmh2o,
                    "kind": "spontaneous",
                    "because": "pressure pulled under rest, and no inflation followed",
                }
            )
        for name, artefact in outcome.artefacts:
            self.efforts.append(
                {
                    "place": name,
                    "start_s": artefact.start_s,
                    "lasts_s": artefact.ti_s,
                    "height_cmh2o": artefact.driving_cmh2o,
                    "kind": "artefact",
                    "because": artefact.why,
                }
            )


def replay_recordings(
    paths: Sequence[Path],
    rules: LoadedRules,
    recorded: Recorded | None = None,
    trial: LoadedRules | None = None,
) -> Replayed:
    """Replay recordings, merged by time of receipt; what can be drawn goes into `recorded`.

    `trial` are rules to try beside `rules`, on the very same facts.
    """
    arrivals = sorted(
        chain.from_iterable(read_recording(path) for path in paths), key=lambda a: a.received_ms
    )
    watch, result = _begin(rules, recorded, trial)
    last_ms = _run(watch, arrivals, result)
    result.take(watch.step([], (last_ms + RUN_OUT_MS) // CYCLE_MS * CYCLE_MS))
    return _end(watch, result)


def replay_store(
    path: Path,
    rules: LoadedRules | None = None,
    recorded: Recorded | None = None,
    trial: LoadedRules | None = None,
) -> Replayed:
    """Replay a store: the same arrivals, the same pauses, up to the same cycle.

    Without `rules`, by those that decided at the time, switches under way included.
    """
    database = open_for_reading(path)
    try:
        runs, progress = read_runs(database), read_progress(database)
        if not runs:
            raise StoreError(f"{path}: no service has written this store")
        watch, result = _begin(rules or loaded_again(runs[-1].rule_files), recorded, trial)
        until_ms = progress.reached_ms if progress else 0
        for stretch in stretches(list(read_arrivals(database)), runs, 0, until_ms):
            if stretch.run is not None:
                begin_as(watch, stretch.run, rules)
            _run(watch, stretch.arrivals, result)
            result.take(watch.step([], stretch.until_ms))
        return _end(watch, result)
    finally:
        database.close()


def decide_as(
    watch: Watch, run: Run, rules: LoadedRules | None = None, *, with_trial: bool = False
) -> None:
    """Let the watch decide as that run did: by its rules (or by `rules`), for its places.

    With `with_trial` its rules on trial are tried too; what they say decides nothing.
    """
    if rules is not None:
        same = rules.rule_set.sha256 == watch.rule_set.sha256
        engine = watch.engine if same else build_engine(rules.rule_set)
        watch.use(rules.rule_set, engine, run.places)
    elif content_hash(run.rule_files) == watch.rule_set.sha256:
        watch.use(watch.rule_set, watch.engine, run.places)
    else:
        rule_set = loaded_again(run.rule_files).rule_set
        watch.use(rule_set, build_engine(rule_set), run.places)
    if with_trial:
        _try_as(watch, run)


def begin_as(
    watch: Watch, run: Run, rules: LoadedRules | None = None, *, with_trial: bool = False
) -> None:
    """Begin where that run began: decide as it did, after the pause that it ended, if it did."""
    decide_as(watch, run, rules, with_trial=with_trial)
    if run.resumed:
        watch.resume(run.started_ms)


def _try_as(watch: Watch, run: Run) -> None:
    if run.trial_files is None:
        watch.end_trial()
        return
    try:
        rule_set = loaded_again(run.trial_files).rule_set
        watch.try_out(rule_set, build_engine(rule_set))
    except (RuleSetError, EngineError) as error:
        # Written for another version of the language, perhaps: the active rules do not mind.
        log.warning("the rules on trial cannot be read any more: %s", error)
        watch.end_trial()


def _begin(
    rules: LoadedRules, recorded: Recorded | None, trial: LoadedRules | None
) -> tuple[Watch, Replayed]:
    engine = build_engine(rules.rule_set)
    watch = Watch(rules.rule_set, engine)
    if trial is not None:
        watch.try_out(trial.rule_set, build_engine(trial.rule_set))
    return watch, Replayed(rules, engine.name, recorded=recorded)


def _end(watch: Watch, result: Replayed) -> Replayed:
    result.take(watch.finish())
    result.ends_ms = watch.state.reached_ms
    return result


def _run(watch: Watch, arrivals: Iterable[Arrival], result: Replayed) -> int:
    return run_arrivals(watch, _noting_begin(arrivals, result), result.take)


def _noting_begin(arrivals: Iterable[Arrival], result: Replayed) -> Iterator[Arrival]:
    for arrival in arrivals:
        if result.begins_ms is None:
            result.begins_ms = _sent_ms(arrival)
        yield arrival


def run_arrivals(watch: Watch, arrivals: Iterable[Arrival], take: Callable[[Outcome], None]) -> int:
    """Let the watch work through arrivals in order of receipt; returns when the last one came."""
    last_ms = watch.state.reached_ms
    batch: list[Arrival] = []
    for arrival in arrivals:
        # A step ends between two cycles, never inside one.
        if len(batch) >= _BATCH and arrival.received_ms // CYCLE_MS > last_ms // CYCLE_MS:
            take(watch.step(batch, (last_ms // CYCLE_MS + 1) * CYCLE_MS))
            batch = []
        batch.append(arrival)
        last_ms = arrival.received_ms
    if batch:
        take(watch.step(batch, (last_ms // CYCLE_MS + 1) * CYCLE_MS))
    return last_ms


def _sent_ms(arrival: Arrival) -> int | None:
    try:
        kind = split_topic(arrival.topic)[2]
        return parse(kind, arrival.payload).at
    except RefusalError:
        return None


# -- files ------------------------------------------------------------------------------------

#: Columns that other programs rely on; what is new goes into the detail files.
_BREATH_COLUMNS: Final = (
    "place", "start_s", "ti_s", "te_s", "pip_cmh2o", "baseline_cmh2o", "mean_cmh2o",
    "tidal_volume_ml", "kind",
)  # fmt: skip
_CAPNOGRAM_COLUMNS: Final = ("place", "start_s", "etco2_mmhg", "fico2_mmhg")
_BREATH_DETAILS: Final = (
    "place", "start_s", "tidal_volume_low_ml", "tidal_volume_high_ml", "driving_cmh2o",
    "step_cmh2o", "slope_cmh2o_per_s", "bend", "area_cmh2o_s", "unfinished_cmh2o", "effort_cmh2o",
    "quality", "because",
)  # fmt: skip
_CAPNOGRAM_DETAILS: Final = (
    "place", "start_s", "plateau_s", "plateau_slope_mmhg_per_s", "notch_mmhg", "quality", "because",
)  # fmt: skip
_EFFORT_COLUMNS: Final = ("place", "start_s", "lasts_s", "height_cmh2o", "kind", "because")


def write_files(result: Replayed, out: Path) -> dict[str, Any]:
    """Write breaths, capnogram, efforts, advisories and the summary; returns the summary."""
    out.mkdir(parents=True, exist_ok=True)
    begins_s = (result.begins_ms or 0) / 1000.0
    _write_csv(out / "breaths.csv", _BREATH_COLUMNS, result.breaths, begins_s)
    _write_csv(out / "capnogram.csv", _CAPNOGRAM_COLUMNS, result.capnogram, begins_s)
    _write_csv(out / "efforts.csv", _EFFORT_COLUMNS, result.efforts, begins_s)
    _write_csv(out / "breath_details.csv", _BREATH_DETAILS, result.breaths, begins_s)
    _write_csv(out / "capnogram_details.csv", _CAPNOGRAM_DETAILS, result.capnogram, begins_s)
    with (out / "advisories.jsonl").open("w", encoding="utf-8") as file:
        for body in result.events:
            file.write(json.dumps(body, ensure_ascii=False, sort_keys=True) + "\n")
    summary = _summary(result)
    text = json.dumps(summary, ensure_ascii=False, indent=2) + "\n"
    (out / "summary.json").write_text(text, encoding="utf-8")
    return summary


def _write_csv(
    path: Path, columns: Sequence[str], rows: Sequence[dict[str, Any]], begins_s: float
) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, fieldnames=columns, extrasaction="ignore")
        writer.writeheader()
        for row in sorted(rows, key=lambda row: (row["start_s"], row["place"])):
            shown = {name: _shown(value) for name, value in row.items()}
            shown["start_s"] = _shown(row["start_s"] - begins_s)
            writer.writerow(shown)


def _shown(value: float | str | None) -> str:
    if value is None:
        return ""
    return f"{value:.4f}" if isinstance(value, float) else value


def _summary(result: Replayed) -> dict[str, Any]:
    raised = [body for body in result.events if body["event"] == "raised"]
    rule_of = {body["id"]: body["rule"] for body in raised}
    returned: dict[str, list[float | None]] = {}
    begins_ms = result.begins_ms
    for body in result.events:
        if body["event"] == "returned":
            returned.setdefault(body["id"], []).append(_since(body["at"], begins_ms))
    return {
        "notice": NOTICE,
        "rule_set": rule_set_words(result.rules.rule_set),
        "engine": result.engine,
        "begins_at": None if begins_ms is None else to_text(begins_ms),
        "duration_s": None if begins_ms is None else (result.ends_ms - begins_ms) / 1000.0,
        "messages": {
            "accepted": result.accepted,
            "repeats": result.repeats,
            "refused": len(result.refused),
        },
        "refused_because": dict(Counter(item["reason"] for item in result.refused).most_common(20)),
        "breaths": len(result.breaths),
        "co2_breaths": len(result.capnogram),
        "evaluations": result.evaluations,
        "advisories": [
            {
                "id": body["id"],
                "place": f"{body['ward']}/{body['place']}",
                "rule": body["rule"],
                "priority": body["priority"],
                "raised_s": _since(body["raised_at"], begins_ms),
                "returned_s": returned.get(body["id"], []),
                "explained_by": rule_of.get(body["outranked_by"]),
                "says": body["says"],
            }
            for body in raised
        ],
    }


def _since(instant: str, begins_ms: int | None) -> float | None:
    return None if begins_ms is None else (from_text(instant) - begins_ms) / 1000.0
