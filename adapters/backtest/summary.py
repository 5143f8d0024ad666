"""What came of a backtest as one plain object, ready for JSON."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from typing import Any, Final

from adapters.backtest.backtest import Backtest, Said
from adapters.backtest.judging import Episode, Judged, Night, Verdict
from adapters.backtest.watching import Event
from adapters.evaluation.statistics import Estimate, median_interval, quantile, rate, share
from adapters.rule_behaviour import Behaviour, behaviour_body, replaced
from service import episodes as side_by_side
from service.instants import to_text
from service.outbound import rule_set_words
from service.rates import FIGURES, Rates, Told, rates, rates_by

_MS_PER_S: Final = 1000.0
_S_PER_H: Final = 3600.0
_LATE: Final = 0.95
_PRIORITIES: Final = ("high", "medium", "low")

Row = dict[str, Any]


@dataclass(frozen=True, slots=True)
class OfOne:
    """One source with what one rule set said of it."""

    night: Night
    said: Said
    verdict: Verdict


Results = Sequence[OfOne]


def summary_of(backtest: Backtest, verdicts: Sequence[Sequence[Verdict]], labelled: int) -> Row:
    """Everything that is reported. `verdicts`: for each rule set those of all nights."""
    sides = [
        [
            OfOne(night, said, verdict)
            for night, said, verdict in zip(backtest.nights, of_rules, of_all, strict=True)
        ]
        for of_rules, of_all in zip(backtest.said, verdicts, strict=True)
    ]
    return {
        "sources": {
            "watched": len(backtest.nights),
            "labelled": labelled,
            "patient_hours": _hours(sides[0]),
            "known_hours": sum(one.verdict.known_h for one in sides[0]),
            "messages": backtest.messages,
            "refused": backtest.refused,
            "unread": [asdict(one) for one in backtest.unread],
        },
        "published": dict(FIGURES),
        "rule_sets": [
            {**rule_set_words(rules.rule_set), **_side(results)}
            for rules, results in zip(backtest.rules, sides, strict=True)
        ],
        "compared": _compared(backtest),
    }


def _side(results: Results) -> Row:
    return {
        "overall": performance(results),
        "burden": burden(results),
        "by_condition": _by_condition(results),
        "by_rule": _by_rule(results),
        "by_source": [{"name": one.night.name, **performance([one])} for one in results],
        "missed": [row for one in results for row in _missed(one)],
        "false": [row for one in results for row in _false(one)],
        "failed": dict(sum((Counter(one.said.failed) for one in results), Counter())),
    }


def performance(results: Results) -> Row:
    """How much was said, and how well where that is known."""
    judged = [found for one in results for found in one.verdict.judged]
    counted = [one for one in judged if one.counted]
    false = [one for one in counted if one.judgement == "false"]
    episodes = [found for one in results for found in one.verdict.episodes]
    urgent = [one for one in episodes if one.urgent]
    known_h = sum(one.verdict.known_h for one in results)
    return {
        "patient_hours": _hours(results),
        "spoken": len(judged),
        "spoken_per_hour": _row(rate(len(judged), _hours(results))),
        "by_priority": {
            name: sum(one.spoken.priority == name for one in judged) for name in _PRIORITIES
        },
        "right": sum(one.judgement == "right" for one in judged),
        "false": len(false),
        "not_known": sum(one.judgement == "not known" for one in judged),
        "predictive_value": _row(share(len(counted) - len(false), len(counted))),
        "known_hours": known_h,
        "false_per_hour": _row(rate(len(false), known_h)),
        "episodes": len(episodes),
        "noticed": _share(one.noticed_ms for one in episodes),
        "named": _share(one.named_ms for one in episodes),
        "urgent": len(urgent),
        "urgent_told": _share(one.urgent_ms for one in urgent),
        **_delays(episodes),
    }


def _delays(episodes: Iterable[Episode]) -> Row:
    seconds = [one.delay_s for one in episodes if one.delay_s is not None]
    return {
        "delay_s": _row(median_interval(seconds)),
        "delay_p95_s": _round(quantile(seconds, _LATE)),
    }


def burden(results: Results) -> Row:
    """How often advisories asked, ward by ward, against published figures for alarm systems."""
    wards = [found for one in results for found in _wards(one)]
    span_ms = sum(figures.to_ms - figures.from_ms for _, figures in wards)
    flooded_ms = sum(
        (flood.ends_ms or figures.to_ms) - flood.begins_ms
        for _, figures in wards
        for flood in figures.floods
    )
    spoke = sum(figures.spoke for _, figures in wards)
    busiest = max(wards, key=lambda found: found[1].most_in_10_min, default=None)
    return {
        "ward_hours": span_ms / _MS_PER_S / _S_PER_H,
        "spoke": spoke,
        "spoke_per_10_min": _round(600_000.0 * spoke / span_ms if span_ms else None),
        "floods": sum(len(figures.floods) for _, figures in wards),
        "flood_percent": _round(100.0 * flooded_ms / span_ms if span_ms else None),
        "most_in_10_min": 0 if busiest is None else busiest[1].most_in_10_min,
        "busiest": _busiest(busiest),
        "chattering": [
            {"source": name, **asdict(chatter)}
            for name, figures in wards
            for chatter in figures.chattering
        ],
    }


def _busiest(found: tuple[str, Rates] | None) -> Row | None:
    if found is None or found[1].most_until_ms is None:
        return None
    return {"source": found[0], "until": to_text(found[1].most_until_ms)}


def _wards(one: OfOne) -> list[tuple[str, Rates]]:
    night = one.night
    if not night.heard or night.ends_ms <= night.begins_ms:
        return []
    told = [Told(e.at_ms, e.place, e.priority, e.rule, e.kind, e.speaks) for e in one.said.events]
    by_ward = rates_by(told, night.begins_ms, night.ends_ms, _ward)
    silent = {_ward(place) for place in night.heard} - by_ward.keys()
    nothing = rates([], night.begins_ms, night.ends_ms)
    return [(night.name, figures) for figures in (*by_ward.values(), *(nothing for _ in silent))]


def _ward(place: str) -> str:
    return place.partition("/")[0]


def _by_condition(results: Results) -> list[Row]:
    episodes = [found for one in results for found in one.verdict.episodes]
    rows = []
    for kind in sorted({kind for one in episodes for kind in one.what}):
        of_kind = [one for one in episodes if kind in one.what]
        rows.append(
            {
                "name": kind,
                "episodes": len(of_kind),
                "noticed": _share(one.noticed_ms for one in of_kind),
                "named": _share(one.named_ms for one in of_kind),
                **_delays(of_kind),
            }
        )
    return rows


def _by_rule(results: Results) -> list[Row]:
    hours = _hours(results)
    by_rule: dict[str, list[Judged]] = {}
    for one in results:
        for found in one.verdict.judged:
            by_rule.setdefault(found.spoken.rule, []).append(found)
    rows = [
        {
            "name": rule,
            "spoken": len(found),
            "spoken_per_hour": _row(rate(len(found), hours)),
            "right": sum(one.judgement == "right" for one in found),
            "false": sum(one.judgement == "false" for one in found),
            "not_known": sum(one.judgement == "not known" for one in found),
        }
        for rule, found in by_rule.items()
    ]
    return sorted(rows, key=lambda row: (-row["false"], -row["spoken"], row["name"]))


def _missed(one: OfOne) -> list[Row]:
    return [
        {
            "source": one.night.name,
            "place": episode.place,
            "what": list(episode.what),
            "due_at": to_text(episode.due_ms),
            "urgent": episode.urgent,
            "note": episode.note,
        }
        for episode in one.verdict.episodes
        if episode.noticed_ms is None
    ]


def _false(one: OfOne) -> list[Row]:
    return [
        {
            "source": one.night.name,
            "place": judged.spoken.place,
            "rule": judged.spoken.rule,
            "priority": judged.spoken.priority,
            "at": to_text(judged.spoken.spoken_ms),
            "says": judged.spoken.says,
        }
        for judged in one.verdict.judged
        if judged.judgement == "false"
    ]


# -- side by side ---------------------------------------------------------------------------------


def _compared(backtest: Backtest) -> list[Row]:
    """Each further rule set against the first."""
    first = backtest.rules[0].rule_set
    hours = sum(night.patient_hours for night in backtest.nights)
    rows = []
    for rules, said in list(zip(backtest.rules, backtest.said, strict=True))[1:]:
        only_one = replaced([first], rules.rule_set)
        pairings = [
            pairing
            for before, after in zip(backtest.said[0], said, strict=True)
            for pairing in side_by_side.paired(
                _episodes(before.events), _episodes(after.events), only_one
            )
        ]
        found = Behaviour(tuple(pairings), hours)
        rows.append({"before": first.spec, "after": rules.rule_set.spec, **behaviour_body(found)})
    return rows


def _episodes(events: Iterable[Event]) -> list[side_by_side.Episode]:
    raised: dict[str, Event] = {}
    cleared: dict[str, int] = {}
    for event in events:
        if event.kind == "raised":
            raised.setdefault(event.id, event)
        elif event.kind == "cleared":
            cleared[event.id] = event.at_ms
    return [
        side_by_side.Episode(
            event.place,
            event.patient,
            event.rule,
            event.priority,
            event.raised_ms,
            cleared.get(identity),
            event.says,
        )
        for identity, event in raised.items()
    ]


# -- numbers --------------------------------------------------------------------------------------


def _hours(results: Results) -> float:
    return sum(one.night.patient_hours for one in results)


def _share(times: Iterable[int | None]) -> Row:
    found = list(times)
    return _row(share(sum(one is not None for one in found), len(found)))


def _row(estimate: Estimate) -> Row:
    return {key: _round(value) for key, value in asdict(estimate).items()}


def _round(value: float | None) -> float | None:
    return None if value is None else float(f"{value:.6g}")
