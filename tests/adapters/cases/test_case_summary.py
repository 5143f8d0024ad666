"""A case in a few sentences: what somebody must know first, and nothing that is not so."""

from __future__ import annotations

from typing import Any

import pytest

from adapters.cases.summary import summary_lines


def _advisory(priority: str, **changes: Any) -> dict[str, Any]:
    return {"title": f"A {priority} one", "priority": priority, "outranked_by": None,
            "stood_s": 60.0, "seen_by": None, "seen_after_s": None, **changes}  # fmt: skip


def _figures(vital: str, unit: str, *limits: tuple[str, str, float, float]) -> dict[str, Any]:
    names = ("name", "side", "value", "beyond_s")
    return {"vital": vital, "unit": unit, "known_share": 1.0, "lowest": 84.2, "highest": 99.0,
            "limits": [dict(zip(names, one, strict=True)) for one in limits]}  # fmt: skip


def _body(**changes: Any) -> dict[str, Any]:
    return {
        "case": {"ended": True, "lasted_s": 5400.0},
        "phases": [{"phase": "maintenance", "lasted_s": 5000.0},
                   {"phase": "weaning", "lasted_s": 400.0}],
        "figures": [], "advisories": [], "lost": {"longest_silence_s": 1.0}, **changes,
    }  # fmt: skip


def _lines(**changes: Any) -> list[str]:
    return summary_lines(_body(**changes))


def test_how_long_and_in_which_phases() -> None:
    assert _lines()[0] == "Watched for 90 min: maintenance 83 min, weaning 7 min."
    assert "not over yet" in _lines(case={"ended": False, "lasted_s": 60.0})[0]


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(0.4, "0 s"), (119.4, "119 s"), (119.5, "2 min"), (7_169.0, "119 min"), (7_170.0, "2 h"),
     (43_199.9, "12 h"), (9_000.0, "2 h 30 min")],
)  # fmt: skip
def test_times_are_told_to_the_nearest_minute(seconds: float, words: str) -> None:
    assert _lines(case={"ended": True, "lasted_s": seconds})[0].startswith(f"Watched for {words}:")


def test_nothing_was_advised_is_said() -> None:
    assert _lines()[1] == "Nothing was advised."


def test_what_was_advised_by_priority_and_what_another_explains_apart() -> None:
    advisories = [
        _advisory("high", seen_by="Wren", seen_after_s=31.0),
        _advisory("medium"), _advisory("medium"), _advisory("high", outranked_by="x"),
    ]  # fmt: skip
    lines = _lines(advisories=advisories)
    assert lines[1] == (
        "Advised: 1 of high priority (stood for 60 s), 2 of medium priority (stood for 2 min), "
        "1 explained by another."
    )
    assert lines[2].startswith("Of high priority and acknowledged: 1, the last of them after 31 s")
    assert "Wren" in lines[2]


def test_high_priority_that_nobody_acknowledged_is_named() -> None:
    lines = _lines(advisories=[_advisory("high", title="The tube is off"), _advisory("low")])
    assert "Nobody acknowledged: The tube is off." in lines


def test_time_beyond_limits_with_the_worst_of_it() -> None:
    spo2 = _figures("spo2", "%", ("spo2_low", "below", 95.0, 240.0),
                    ("spo2_very_low", "below", 90.0, 30.0))  # fmt: skip
    assert _lines(figures=[spo2])[2] == (
        "SpO2 below 95 % (low) for 4 min, below 90 % (very low) for 30 s; lowest 84 %."
    )
    assert len(_lines(figures=[_figures("spo2", "%", ("spo2_low", "below", 95.0, 0.0))])) == 3


def test_a_large_tidal_volume_is_doubted() -> None:
    volume = _figures("tidal_volume", "mL", ("volume_high", "above", 14.0, 70.0))
    assert "a leak makes it look larger than it is" in _lines(figures=[volume])[2]


def test_what_was_not_known_and_not_measured_is_said() -> None:
    half = {**_figures("etco2", "mm[Hg]"), "known_share": 0.5}
    lines = _lines(figures=[half], lost={"longest_silence_s": 42.0})
    assert "Not known, of the time: EtCO2 for 50 %." in lines
    assert any(line.startswith("Never measured: inspired CO2, SpO2") for line in lines)
    assert lines[-1] == "Nothing at all came for 42 s at the longest."
