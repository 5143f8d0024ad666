"""Measured discharges of a lithium cell, fetched once and told as power messages of a ventilator.

Source: raw data in the source package celljar 0.2.1 on PyPI (MIT licence): Wiggins, Allu & Wang,
Battery cell data, Oak Ridge National Laboratory 2019, doi 10.5281/zenodo.2580327. One pouch cell of
33.1 Ah nominal, discharged from full to 3.000 V with 30.6, 61.2 and 91.8 A, and with 10 A in steps
of a tenth of its charge, each begun by 30 s with 30 A. It gives 30.3 Ah at most: it is not new.
"""

from __future__ import annotations

import csv
import io
import json
import tarfile
from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
from published.fetching import CannotFetchError, download

from service.bedside import Bedside
from service.facts import facts_of
from service.instants import to_text
from service.intake import Accepted, Arrival, Intake

PACKAGE = "celljar==0.2.1"
ARCHIVE = "celljar-0.2.1.tar.gz"
DATA = "celljar-0.2.1/data/raw/ornl_leaf"
NOMINAL_AH = 33.1
START_MS = 1_795_611_600_000
UNITS = {"charge": "%", "voltage": "V", "current": "A", "capacity": "A.h"}
REPORT_EVERY_S = 10
Array = npt.NDArray[np.float64]
#: What the gauge shows for the charge drawn in Ah.
Gauge = Callable[[float], float]


@dataclass(frozen=True)
class Piece:
    """One step of the cycler: what it did, and its samples."""

    mode: str
    times_s: Array
    current_a: Array
    voltage_v: Array
    moved_ah: Array


@dataclass(frozen=True)
class Discharge:
    """Samples of one discharge: time in s from its start, A and V at the cell, Ah drawn so far."""

    times_s: Array
    current_a: Array
    voltage_v: Array
    drawn_ah: Array

    @property
    def minutes(self) -> float:
        """How long it lasted."""
        return float(self.times_s[-1]) / 60.0

    def at(self, t_s: float) -> tuple[float, float, float]:
        """Current in A, voltage in V and Ah drawn at a time."""
        series = (self.current_a, self.voltage_v, self.drawn_ah)
        current_a, voltage_v, drawn_ah = (float(np.interp(t_s, self.times_s, s)) for s in series)
        return current_a, voltage_v, drawn_ah


def whole_percent(*, points_too_high: float = 0.0, counts_too_little: float = 1.0) -> Gauge:
    """A gauge that counts charge against the nominal capacity from 100 %, in whole percent.

    It reads `points_too_high` too much all along, or takes its battery to be larger by a factor.
    """

    def shown(drawn_ah: float) -> float:
        exact = 100.0 + points_too_high - 100.0 * drawn_ah / NOMINAL_AH / counts_too_little
        return float(round(min(100.0, max(0.0, exact))))

    return shown


def report_times_s(discharge: Discharge) -> Iterator[float]:
    """When a device reports, until the battery is empty."""
    t_s = 0.0
    while t_s < discharge.times_s[-1]:
        yield t_s
        t_s += REPORT_EVERY_S


@dataclass(frozen=True)
class Said:
    """What the facts said at one report, and how many minutes were truly left."""

    truth: float
    minutes: float | None
    low: float | None
    doubtful: bool
    high: float | None


class Ventilator:
    """Sends power messages from a battery, and reads the facts that become of them."""

    def __init__(self, sends: Collection[str]) -> None:
        self._sends = sends
        self._intake, self._bedside, self._seq = Intake(), Bedside("lab", "cell"), 0
        self.now_s = 0.0

    def tell(self, supply: str, **values: float) -> None:
        """One message at `now_s`, with those of the values that this ventilator sends."""
        self._seq += 1
        at_ms = START_MS + round(1000.0 * self.now_s)
        payload: dict[str, object] = {
            name: {"value": value, "unit": UNITS[name]}
            for name, value in {**values, "capacity": NOMINAL_AH}.items()
            if name in self._sends
        }
        payload |= {"schema": 1, "device": "v", "epoch": "1", "seq": self._seq, "supply": supply}
        payload["at"] = to_text(at_ms)
        topic = "tidewarden/1/lab/cell/power"
        taken = self._intake.take(Arrival(at_ms, topic, json.dumps(payload).encode()))
        assert isinstance(taken, Accepted), taken
        self._bedside.take(taken)

    def discharge(self, cell: Discharge, gauge: Gauge) -> list[Said]:
        """The whole discharge, a report every 10 s."""
        begins_s, said = self.now_s, []
        for t_s in report_times_s(cell):
            self.now_s = begins_s + t_s
            current_a, voltage_v, drawn_ah = cell.at(t_s)
            self.tell("battery", charge=gauge(drawn_ah), voltage=voltage_v, current=current_a)
            said.append(self._facts(cell.minutes - t_s / 60.0))
        return said

    def why_unknown(self) -> str:
        """Why the minutes are not known now."""
        return facts_of(self._bedside, self._now_ms()).unknown["battery.minutes_left"]

    def _now_ms(self) -> int:
        return START_MS + round(1000.0 * self.now_s)

    def _facts(self, truth: float) -> Said:
        facts = facts_of(self._bedside, self._now_ms())
        made = self._bedside.battery.estimate
        assert made is not None
        minutes = facts.values.get("battery.minutes_left")
        low = facts.values.get("battery.minutes_left_low")
        assert minutes is None or isinstance(minutes, float)
        assert low is None or isinstance(low, float)
        doubtful = facts.values.get("battery.gauge_doubtful") is True
        return Said(truth, minutes, low, doubtful, made.high)


class Cells:
    """The measured discharges."""

    def __init__(self, cache: Path) -> None:
        archive = cache / ARCHIVE
        if not archive.is_file():
            download(PACKAGE, cache)
        with tarfile.open(archive) as package:
            self._pieces = {
                name: list(_pieces(package, f"{name}.csv"))
                for name in (
                    "cell-discharge-bitrode-1c",
                    "cell-discharge-bitrode-2c",
                    "cell-discharge-bitrode-3c",
                    "cell-low-current-hppc-25c",
                )
            }

    def at_rate(self, rate: int) -> list[Discharge]:
        """All discharges with `rate` times 30.6 A, in order."""
        pieces = self._pieces[f"cell-discharge-bitrode-{rate}c"]
        return [
            Discharge(p.times_s, -p.current_a, p.voltage_v, -p.moved_ah)
            for p in pieces
            if p.mode == "DCHG"
        ]

    def charge_before(self, rate: int, number: int) -> Piece:
        """The charging right before discharge `number` (from 1) at a rate."""
        pieces = [p for p in self._pieces[f"cell-discharge-bitrode-{rate}c"] if p.mode == "CHRG"]
        return pieces[number - 1]

    def slow(self) -> Discharge:
        """The discharge with 10 A, its steps put end to end: the rests between them left out.

        What a short charge put back after each burst of 30 A is taken off what was drawn.
        """
        parts: list[Discharge] = []
        ends_s = drawn_ah = 0.0
        for piece in self._pieces["cell-low-current-hppc-25c"]:
            if piece.mode == "CHRG" and parts:
                drawn_ah -= float(piece.moved_ah[-1])
            if piece.mode != "DCHG":
                continue
            drawn = drawn_ah - piece.moved_ah
            parts.append(
                Discharge(ends_s + piece.times_s, -piece.current_a, piece.voltage_v, drawn)
            )
            ends_s, drawn_ah = float(parts[-1].times_s[-1]), float(drawn[-1])
        return Discharge(
            *(
                np.concatenate([getattr(part, name) for part in parts])
                for name in ("times_s", "current_a", "voltage_v", "drawn_ah")
            )
        )


def _pieces(package: tarfile.TarFile, name: str) -> Iterator[Piece]:
    member = package.extractfile(f"{DATA}/{name}")
    if member is None:
        raise CannotFetchError(f"{name} is not in the package")
    text = io.TextIOWrapper(io.BytesIO(member.read()), encoding="utf-8")
    rows: list[tuple[float, float, float, float]] = []
    mode, step = "", ("", "", "")
    for row in csv.reader(text):
        if len(row) < 14 or row[0] != "No":
            continue
        if (row[2], row[6], row[13]) != step:
            if rows:
                yield Piece(mode, *np.array(rows).T)
            rows, mode, step = [], row[13], (row[2], row[6], row[13])
        # Columns: time in the step (s), current (A, charging positive), voltage (V), charge (Ah).
        rows.append((float(row[7]), float(row[8]), float(row[9]), float(row[11])))
    if rows:
        yield Piece(mode, *np.array(rows).T)
