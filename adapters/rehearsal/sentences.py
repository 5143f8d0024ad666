"""What may happen to a simulated animal, in sentences a nurse would write.

`the chest stiffens by half at 60 s over 20 s` becomes events of the simulator.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final, get_args

from adapters.simulator.event_base import Sensor
from rules.vocabulary import MODES, PHASES, SUPPLIES

Event = dict[str, Any]
_Made = list[Event]

_NUMBER: Final = r"\d+(?:\.\d+)?"
_SHARES: Final[Mapping[str, float]] = {
    "a quarter": 0.25, "a third": 1 / 3, "half": 0.5, "two thirds": 2 / 3, "three quarters": 0.75,
}  # fmt: skip
_TIMES: Final[Mapping[str, float]] = {"twice": 2.0, "three times": 3.0, "four times": 4.0}
#: The gaps of a sentence: what may stand in each.
_GAPS: Final[Mapping[str, str]] = {
    "SHARE": "|".join([*_SHARES, rf"{_NUMBER} ?%"]),
    "TIMES": "|".join([*_TIMES, rf"{_NUMBER} times"]),
    "N": _NUMBER,
    "SIGNED": rf"[+-]?{_NUMBER}",
    "SENSOR": "|".join(get_args(Sensor)),
    "WAVE": "paw|co2",
    "MODE": "|".join(MODES),
    "PHASE": "|".join(PHASES),
    "SUPPLY": "|".join(SUPPLIES),
    "PLACE": r"[\w -]+?",
}
GAPS: Final[Mapping[str, str]] = {
    "SHARE": f"{', '.join(_SHARES)}, or as 30 %",
    "TIMES": f"{', '.join(_TIMES)}, or as 2.5 times",
    "N": "a number",
    "SIGNED": "a number with its sign, as -1.5",
    "PLACE": "a name",
} | {
    gap: what.replace("|", ", ")
    for gap, what in _GAPS.items()
    if gap in ("SENSOR", "WAVE", "MODE", "PHASE", "SUPPLY")
}
"""What may stand in each gap, in words."""

_GAP: Final = re.compile(r"\b(" + "|".join(_GAPS) + r")\b")
_TIME: Final = re.compile(
    rf"(?P<what>.+?) at (?P<at>{_NUMBER}) ?(?P<at_unit>s|min)"
    rf"(?: over (?P<over>{_NUMBER}) ?(?P<over_unit>s|min))?"
)
_SECONDS: Final = {"s": 1.0, "min": 60.0}


class SentenceError(ValueError):
    """A sentence that is not understood; the text says what could be meant."""


@dataclass(frozen=True, slots=True)
class Form:
    """A form of sentence, with its gaps in capitals. `over` when it may take its time."""

    text: str
    make: Callable[[list[float | str]], _Made]
    over: bool = False

    @property
    def pattern(self) -> re.Pattern[str]:
        """What it matches, each gap a group."""
        parts = _GAP.split(self.text)
        return re.compile(
            "".join(
                f"({_GAPS[part]})" if number % 2 else re.escape(part)
                for number, part in enumerate(parts)
            )
        )


def _event(kind: str, **given: Any) -> _Made:
    return [{"kind": kind, **given}]


def _connection(kind: str) -> Callable[[list[float | str]], _Made]:
    return lambda gaps: _event(kind)


def _factor(kind: str, of: Callable[[float], float]) -> Callable[[list[float | str]], _Made]:
    return lambda gaps: _event(kind, factor=of(_number(gaps[0])))


def _share(kind: str) -> Callable[[list[float | str]], _Made]:
    return lambda gaps: _event(kind, share=_number(gaps[0]))


def _number(gap: float | str) -> float:
    assert isinstance(gap, float)  # noqa: S101 (the form has a number in this gap)
    return gap


def _same(value: float) -> float:
    return value


FORMS: Final = (
    Form("the chest stiffens by SHARE", _factor("compliance", lambda s: 1.0 - s), over=True),
    Form("the chest softens by SHARE", _factor("compliance", lambda s: 1.0 + s), over=True),
    Form("the chest is as before", lambda gaps: _event("compliance", factor=1.0), over=True),
    Form("the tube narrows to TIMES its resistance", _factor("resistance", _same), over=True),
    Form("the tube is as wide as before", lambda gaps: _event("resistance", factor=1.0), over=True),
    Form("the tube is blocked", _connection("occlude")),
    Form("the tube is free again", _connection("clear")),
    Form("the tube slips out", _connection("extubate")),
    Form("the tube is back in place", _connection("reintubate")),
    Form("the circuit comes off", _connection("disconnect")),
    Form("the circuit is put back", _connection("reconnect")),
    Form("exhalation is blocked", _connection("block-exhalation")),
    Form("exhalation is free again", _connection("free-exhalation")),
    Form("the open valve resists TIMES as much", _factor("valve", _same), over=True),
    Form("gas leaks at N mL/s per cmH2O",
         lambda gaps: _event("leak", ml_per_s_per_cmh2o=gaps[0]), over=True),
    Form("the leak is closed", lambda gaps: _event("leak", ml_per_s_per_cmh2o=0.0), over=True),
    Form("fresh gas falls to SHARE", _factor("fresh-gas", _same), over=True),
    Form("fresh gas is back", lambda gaps: _event("fresh-gas", factor=1.0), over=True),
    Form("perfusion falls to SHARE", _factor("perfusion", _same), over=True),
    Form("perfusion is back", lambda gaps: _event("perfusion", factor=1.0), over=True),
    Form("SHARE of each breath is breathed in again", _share("rebreathing"), over=True),
    Form("nothing is breathed in again", lambda gaps: _event("rebreathing", share=0.0)),
    Form("SHARE of the CO2 sample is room air", _share("dilution"), over=True),
    Form("the CO2 sample is pure", lambda gaps: _event("dilution", share=0.0)),
    Form("SHARE of the blood passes the lung unaired", _share("shunt"), over=True),
    Form("all blood is aired again", lambda gaps: _event("shunt", share=0.0), over=True),
    Form("inspired oxygen is SHARE", _share("inspired-oxygen"), over=True),
    Form("temperature moves by SIGNED Cel",
         lambda gaps: _event("temperature", change_c=gaps[0]), over=True),
    Form("suction of N mL/s for N s",
         lambda gaps: _event("suction", ml_per_s=gaps[0], for_s=gaps[1])),
    Form("the chest is pushed with N cmH2O for N s",
         lambda gaps: _event("push", cmh2o=gaps[0], for_s=gaps[1])),
    Form("noise of N cmH2O and N mmHg for N s",
         lambda gaps: _event("noise", paw_cmh2o=gaps[0], co2_mmhg=gaps[1], for_s=gaps[2])),
    Form("the team sets the target to N cmH2O",
         lambda gaps: _event("settings", pip_target_cmh2o=gaps[0])),
    Form("the team sets the expiratory time to N s",
         lambda gaps: _event("settings", te_set_s=gaps[0])),
    Form("the team sets the fresh gas flow to N mL/min",
         lambda gaps: _event("settings", fresh_gas_flow_ml_per_min=gaps[0])),
    Form("the team sets the mode to MODE", lambda gaps: _event("settings", mode=gaps[0])),
    Form("the phase becomes PHASE", lambda gaps: _event("phase", phase=gaps[0])),
    Form("a journey from PLACE to PLACE is planned in N min for N min",
         lambda gaps: [{"kind": "journey", "from": gaps[0], "to": gaps[1],
                        "leaves_in_min": gaps[2], "minutes": gaps[3]}]),
    Form("the ventilator runs on SUPPLY", lambda gaps: _event("supply", supply=gaps[0])),
    Form("the SENSOR sensor comes off", lambda gaps: _event("sensor-off", sensor=gaps[0])),
    Form("the SENSOR sensor is back", lambda gaps: _event("sensor-on", sensor=gaps[0])),
    Form("the WAVE sensor freezes", lambda gaps: _event("sensor-frozen", sensor=gaps[0])),
    Form("the WAVE sensor reads zero", lambda gaps: _event("sensor-zero", sensor=gaps[0])),
    Form("the device is silent for N s", lambda gaps: _event("silent", for_s=gaps[0])),
    Form("messages are lost for N s", lambda gaps: _event("silent", for_s=gaps[0], lost=True)),
    Form("the ventilator confirms no settings for N s",
         lambda gaps: _event("silent", for_s=gaps[0], only="settings")),
    Form("the device restarts within N s", lambda gaps: _event("restart", for_s=gaps[0])),
    Form("the clock leaps by SIGNED s", lambda gaps: _event("clock", ahead_s=gaps[0])),
)  # fmt: skip
_PATTERNS: Final = tuple((form, form.pattern) for form in FORMS)


def events_of(sentence: str) -> list[Event]:
    """The events that a sentence means. SentenceError says what could be meant."""
    words = " ".join(sentence.split())
    timed = _TIME.fullmatch(words)
    if timed is None:
        raise SentenceError(f'"{words}" does not end with when: "{_without_time(words)} at 60 s"')
    what = timed["what"]
    for form, pattern in _PATTERNS:
        match = pattern.fullmatch(what)
        if match is None:
            continue
        when: Event = {"at_s": float(timed["at"]) * _SECONDS[timed["at_unit"]]}
        if timed["over"] is not None:
            if not form.over:
                raise SentenceError(f'"{what}" happens at once: leave out "over ..."')
            when["over_s"] = float(timed["over"]) * _SECONDS[timed["over_unit"]]
        return [{**event, **when} for event in form.make(_gaps(form, match))]
    raise SentenceError(f'"{what}" is not understood; {_meant(what)}')


def _gaps(form: Form, match: re.Match[str]) -> list[float | str]:
    names = _GAP.findall(form.text)
    return [_read(name, text) for name, text in zip(names, match.groups(), strict=True)]


def _read(gap: str, text: str) -> float | str:
    if text in _SHARES or text in _TIMES:
        return _SHARES.get(text) or _TIMES[text]
    if gap in ("N", "SIGNED"):
        return float(text)
    if gap == "SHARE":
        return float(text.rstrip("% ")) / 100.0
    return float(text.removesuffix(" times")) if gap == "TIMES" else text


def _meant(what: str) -> str:
    forms = [form.text for form in FORMS]
    close = difflib.get_close_matches(what, forms, n=1, cutoff=0.5)
    if close:
        return f'did you mean "{close[0]}"?'
    return "`tidewarden rehearse --sentences` lists what may happen"


def _without_time(words: str) -> str:
    return words.split(" at ", maxsplit=1)[0].rstrip(".")
