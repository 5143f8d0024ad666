"""One place: everything known of the patient there, as far as it decides what is advised.

The state is plain data, so that it can be written down and taken up again without a difference.
Device time places samples within a stream; how long ago something was is counted in received
time, so a wrong device clock does not make old data look fresh.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from statistics import median
from typing import Final

from service import messages as wire
from service.baseline import Baseline
from service.battery.report import reported
from service.battery.state import Battery
from service.intake import Accepted, Refused
from service.journeys import journey_info
from service.known import (
    Channel,
    Completed,
    Expired,
    JourneyInfo,
    PatientInfo,
    PowerInfo,
    Reading,
    SettingsInfo,
)
from service.losses import WINDOW_MS, Losses
from service.lung import LungReading, flow_ml_per_s, lung_of
from service.physiology.mechanics import tidal_volume_ml
from service.physiology.uncertain import Uncertain
from service.presence import Presence
from service.settings import confirmed, flow_factor, is_same
from service.signals.assembly import Block, Piece
from service.signals.breaths import Breath, BreathFinder, Effort, Found, Inflation
from service.signals.capnogram import Capnogram, Co2Breath
from service.signals.changes import ChangeWatch
from service.signals.flow import FlowTrack
from service.signals.slow_trend import SlowTrend
from service.signals.vitals import Vitals
from service.signals.watched import Watched
from service.supply import Charging, follow
from service.supply_pressure import SupplyPressure

#: Breaths are kept for the longest window of any fact, and never fewer than the last few.
KEPT_BREATHS_S: Final = 65.0
KEPT_BREATHS: Final = 6
KEPT_ETCO2: Final = 40
KEPT_POWER: Final = 6
KEPT_EFFORTS: Final = 40
#: Start of the inflation, message of the settings, volume by a flow wave.
LungKey = tuple[float, str, Uncertain | None]


@dataclass(slots=True)
class Bedside:
    """All state of one place."""

    ward: str
    place: str
    patient: PatientInfo | None = None
    settings: SettingsInfo | None = None
    journey: JourneyInfo | None = None
    power: deque[PowerInfo] = field(default_factory=deque)
    battery: Battery = field(default_factory=Battery)
    numerics: dict[str, Reading] = field(default_factory=dict)
    vitals: Vitals = field(default_factory=Vitals)
    paw: Channel = field(default_factory=Channel)
    co2: Channel = field(default_factory=Channel)
    finder: BreathFinder = field(default_factory=BreathFinder)
    capnogram: Capnogram = field(default_factory=Capnogram)
    inflations: deque[Inflation] = field(default_factory=deque)
    efforts: deque[Effort] = field(default_factory=deque)
    flow: Channel = field(default_factory=Channel)
    flow_track: FlowTrack = field(default_factory=FlowTrack)
    changes: ChangeWatch = field(default_factory=ChangeWatch)
    last_breath: Breath | None = None
    # Volume of the last whole breath by a flow wave, which only its end completes.
    last_integral: Uncertain | None = None
    # What was last read of the lung, and from what: facts are asked for more often than it changes.
    lung_read: tuple[LungKey, LungReading | None] | None = None
    co2_breaths: deque[Co2Breath] = field(default_factory=deque)
    expired: deque[Expired] = field(default_factory=deque)
    pressure_baseline: Baseline = field(default_factory=lambda: Baseline(guide="ti"))
    co2_baseline: Baseline = field(default_factory=lambda: Baseline(guide="etco2"))
    last_device_ms: int | None = None
    skews_ms: deque[int] = field(default_factory=deque)
    losses: Losses = field(default_factory=Losses)
    refused: deque[tuple[int, str]] = field(default_factory=deque)
    presence: Presence = field(default_factory=Presence)
    etco2_trend: SlowTrend = field(default_factory=SlowTrend)
    pip_trend: SlowTrend = field(default_factory=SlowTrend)
    temperature_trend: SlowTrend = field(default_factory=lambda: SlowTrend(600_000, 20_000))
    paw_watched: Watched = field(default_factory=Watched)
    supply_pressure: SupplyPressure = field(default_factory=SupplyPressure)
    charging: Charging = field(default_factory=Charging)

    @property
    def name(self) -> str:
        """`ward/place`."""
        return f"{self.ward}/{self.place}"

    def take(self, accepted: Accepted) -> Completed:
        """Apply one accepted message; returns the breaths it completed."""
        message, received_ms = accepted.message, accepted.arrival.received_ms
        reference = f"{message.device}:{message.epoch}:{message.seq}"
        completed = Completed()
        self.losses.take(received_ms, accepted.newly_missing)
        self._note_device(message, received_ms)
        self._apply(message, received_ms, reference, completed, late=accepted.late)
        if not isinstance(message, wire.Patient | wire.Journey | wire.Request):
            self._device_heard(message, received_ms)
        return completed

    def take_refused(self, refused: Refused) -> None:
        """Remember that something from this place could not be used."""
        self.refused.append((refused.arrival.received_ms, refused.reason))

    def due(self, now_ms: int) -> Completed:
        """Let blocks that waited long enough for a lost predecessor through."""
        completed = Completed()
        for piece in self.paw.assembler.due(now_ms):
            self._analyse_paw(piece, completed)
        for piece in self.co2.assembler.due(now_ms):
            self._analyse_co2(piece, completed)
        for piece in self.flow.assembler.due(now_ms):
            self._analyse_flow(piece)
        return completed

    def forget_old(self, now_ms: int) -> None:
        """Drop what lies outside every window."""
        self.losses.forget(now_ms)
        while self.refused and self.refused[0][0] < now_ms - WINDOW_MS:
            self.refused.popleft()

    def finish(self) -> Completed:
        """Close the breath that is still open, at the end of a recording."""
        completed = Completed()
        self._keep_found(self.finder.finish(), completed)
        return completed

    def lung(self, inflation: Inflation) -> LungReading | None:
        """What the inflation says of the lung; None while no flow is known.

        By the flow wave where the last whole breath had one: for that breath, and for the newest
        inflation, whose own breath is not whole yet.
        """
        last = self.last_breath
        starts = {last.inflation.start_s} if last is not None else set()
        starts.update(i.start_s for i in list(self.inflations)[-1:])
        integral = self.last_integral if inflation.start_s in starts else None
        key = (inflation.start_s, self.settings.reference if self.settings else "", integral)
        if self.lung_read is None or self.lung_read[0] != key:
            self.lung_read = (key, lung_of(inflation, self.settings, integral))
        return self.lung_read[1]

    def tidal_volume_ml(self, inflation: Inflation) -> float | None:
        """Tidal volume by fresh gas flow and time; None while flow is not known."""
        settings, flow = self.settings, flow_ml_per_s(self.settings)
        if settings is None or flow is None:
            return None
        return tidal_volume_ml(
            flow,
            inflation.ti_s,
            settings.circuit_compliance or 0.0,
            inflation.pip_cmh2o,
            inflation.baseline_cmh2o,
        )

    def usual_period_s(self) -> float | None:
        """The time between breaths to expect: from the set Te while it is known, else as seen."""
        periods = [i.period_s for i in list(self.inflations)[-5:] if i.period_s is not None]
        settings = self.settings
        if self.inflations and settings and settings.te_set and settings.mode == "controlled":
            return median(i.ti_s for i in list(self.inflations)[-5:]) + settings.te_set
        return median(periods) if periods else None

    def _apply(
        self,
        message: wire.Message,
        received_ms: int,
        reference: str,
        completed: Completed,
        *,
        late: bool,
    ) -> None:
        match message:
            case wire.Waveform():
                self._take_waveform(message, received_ms, reference, completed)
            case wire.Numerics():
                self._take_numerics(message, received_ms, reference, late=late)
            case wire.Settings():
                if not (late and _newer(self.settings, message)):
                    self._take_settings(message, received_ms, reference)
            case wire.Power():
                if not (late and self.power and _newer(self.power[-1], message)):
                    self._take_power(message, received_ms, reference)
            case wire.Patient():
                self._take_patient(message, reference)
            case wire.Journey():
                self._take_journey(message, reference)
            case wire.Request():
                pass  # answered by the watch: it changes advisories, not what is known

    # -- one kind of message each ---------------------------------------------------------

    def _note_device(self, message: wire.Message, received_ms: int) -> None:
        if isinstance(message, wire.Request | wire.Journey):
            return
        sends = "settings" if isinstance(message, wire.Settings) else None
        if isinstance(message, wire.Waveform) and message.channel in ("paw", "co2"):
            sends = message.channel
        reporter = self.presence.hear(message.device, message.epoch, received_ms, sends)
        if isinstance(message, wire.Patient):
            reporter.patient = message.patient

    def _device_heard(self, message: wire.Message, received_ms: int) -> None:
        self.last_device_ms = received_ms
        sent_ms = message.end_ms if isinstance(message, wire.Waveform) else message.at
        self.skews_ms.append(round(received_ms - sent_ms))
        if len(self.skews_ms) > 20:
            self.skews_ms.popleft()

    def _take_waveform(
        self, message: wire.Waveform, received_ms: int, reference: str, completed: Completed
    ) -> None:
        block = Block(message.at / 1000.0, message.rate_hz, message.samples, received_ms, reference)
        if message.channel == "paw":
            for piece in self.paw.assembler.add(block):
                self._analyse_paw(piece, completed)
        elif message.channel == "co2":
            for piece in self.co2.assembler.add(block):
                self._analyse_co2(piece, completed)
        elif message.channel == "flow":
            for piece in self.flow.assembler.add(block):
                self._analyse_flow(piece)

    def _analyse_paw(self, piece: Piece, completed: Completed) -> None:
        if _set_back(self.paw, piece):
            self.inflations.clear()
            self.efforts.clear()
        samples = _feed(self.paw, piece)
        self.paw.extremes.take(samples)
        self.paw_watched.take(piece.block.end_s, samples)
        self._keep_found(self.finder.feed(samples, piece.block.reference), completed)

    def _keep_found(self, found: Found, completed: Completed) -> None:
        for inflation in found.inflations:
            self.inflations.append(inflation)
            self.pressure_baseline.add(
                {
                    "ti": inflation.ti_s,
                    "slope": inflation.slope_cmh2o_per_s,
                    "step": inflation.step_cmh2o,
                    "volume": self.tidal_volume_ml(inflation),
                }
            )
            if self.paw.received_ms is not None:
                self.pip_trend.add(self.paw.received_ms, inflation.pip_cmh2o)
            circuit = self.settings.circuit_compliance if self.settings else None
            self.changes.add(inflation, flow_ml_per_s(self.settings), circuit)
        _keep_recent(self.inflations)
        for breath in found.breaths:
            self.last_breath = breath
            self.last_integral = self._integral(breath)
            reading = self.lung(breath.inflation)
            completed.breaths.append((breath, None if reading is None else reading.tidal_ml))
        self.efforts.extend(found.efforts)
        while len(self.efforts) > KEPT_EFFORTS:
            self.efforts.popleft()
        completed.efforts.extend(found.efforts)
        completed.artefacts.extend(found.artefacts)

    def _integral(self, breath: Breath) -> Uncertain | None:
        if breath.te_s is None or not self.flow_track.samples:
            return None
        start_s = breath.inflation.start_s
        end_s = start_s + breath.inflation.ti_s
        return self.flow_track.volume(start_s, end_s, end_s + breath.te_s)

    def _analyse_flow(self, piece: Piece) -> None:
        self.flow_track.feed(_feed(self.flow, piece))

    def _analyse_co2(self, piece: Piece, completed: Completed) -> None:
        if _set_back(self.co2, piece):
            self.co2_breaths.clear()
        samples = _feed(self.co2, piece)
        self.co2.extremes.take(samples)
        for breath in self.capnogram.feed(samples, piece.block.reference):
            self.co2_breaths.append(breath)
            completed.co2_breaths.append(breath)
            late_s = (self.co2.end_s or breath.end_s) - breath.end_s
            seen_ms = piece.block.received_ms - round(1000.0 * late_s)
            self._keep_expired(Expired(breath.etco2_mmhg, seen_ms, True, breath.reference))
        _keep_recent(self.co2_breaths)

    def _keep_expired(self, expired: Expired) -> None:
        self.expired.append(expired)
        self.co2_baseline.add({"etco2": expired.etco2_mmhg})
        self.etco2_trend.add(expired.seen_ms, expired.etco2_mmhg)
        while len(self.expired) > KEPT_ETCO2:
            self.expired.popleft()

    def _take_numerics(
        self, message: wire.Numerics, received_ms: int, reference: str, *, late: bool
    ) -> None:
        for name, quantity in message.values.items():
            if late and _newer(self.numerics.get(name), message):
                continue
            value = quantity.usable
            self.numerics[name] = Reading(
                value, quantity.status, message.at, received_ms, reference
            )
            if value is not None:
                mass_kg = self.patient.mass_kg if self.patient else None
                self.vitals.take(name, value, message.at, received_ms, mass_kg)
                self._follow_slowly(name, value, received_ms)
            if name == "etco2" and self.co2.end_s is None and value is not None:
                self._keep_expired(Expired(value, received_ms, False, reference))

    def _follow_slowly(self, name: str, value: float, received_ms: int) -> None:
        if name == "temperature" and self.vitals.temperature.doubted(received_ms) is None:
            self.temperature_trend.add(received_ms, value)
        elif name == "gas_supply_pressure":
            self.supply_pressure.take(received_ms, value)

    def _take_settings(self, message: wire.Settings, received_ms: int, reference: str) -> None:
        known = self.settings
        new = self.settings = confirmed(known, message, received_ms, reference)
        if not is_same(known, new):
            self._relearn()
            self.pip_trend.clear()
            self.changes.settings_changed(flow_factor(known, new), new.at_ms / 1000.0)

    def _take_power(self, message: wire.Power, received_ms: int, reference: str) -> None:
        self.power.append(
            PowerInfo(
                supply=message.supply,
                charge_percent=_usable(message.charge),
                at_ms=message.at,
                received_ms=received_ms,
                reference=reference,
            )
        )
        while len(self.power) > KEPT_POWER:
            self.power.popleft()
        report = reported(message, received_ms)
        self.battery = follow(self.battery, report)
        self.charging.take(report)

    def _take_patient(self, message: wire.Patient, reference: str) -> None:
        if self.patient is not None and self.patient.patient != message.patient:
            self._relearn()
            self.expired.clear()
            self.co2_breaths.clear()
            self.inflations.clear()
            self.efforts.clear()
            self.changes.forget()
            self.journey = None
            self.vitals = Vitals()
            for trend in (self.etco2_trend, self.pip_trend, self.temperature_trend):
                trend.clear()
            if self.settings is not None:
                self.settings.jump = None
        self.patient = PatientInfo(
            message.patient,
            message.species,
            message.class_,
            message.mass.value if message.mass else None,
            message.phase,
            reference,
        )

    def _take_journey(self, message: wire.Journey, reference: str) -> None:
        self.journey = journey_info(message, reference)

    def _relearn(self) -> None:
        self.pressure_baseline.reset()
        self.co2_baseline.reset()


def _usable(quantity: wire.Quantity | None) -> float | None:
    return None if quantity is None else quantity.usable


def _newer(known: Reading | SettingsInfo | PowerInfo | None, message: wire.Message) -> bool:
    """Whether what is known was taken by the device after `message`, which comes late."""
    return known is not None and known.at_ms > message.at


def _keep_recent(breaths: deque[Inflation] | deque[Co2Breath]) -> None:
    while len(breaths) > KEPT_BREATHS and breaths[-1].start_s - breaths[0].start_s > KEPT_BREATHS_S:
        breaths.popleft()


def _set_back(channel: Channel, piece: Piece) -> bool:
    """Whether the device's clock was set back before this block: old times mean nothing now."""
    if channel.end_s is None or piece.block.start_s > channel.end_s - 1.0:
        return False
    channel.extremes.buckets.clear()
    channel.begun_s = None
    return True


def _feed(channel: Channel, piece: Piece) -> list[tuple[float, float | None]]:
    """Note the block on its channel; its samples with their times."""
    block = piece.block
    interval_s = 1.0 / block.rate_hz
    samples = [(block.start_s + i * interval_s, value) for i, value in enumerate(block.samples)]
    if channel.begun_s is None or block.start_s < channel.begun_s:
        channel.begun_s = block.start_s
    channel.holes.take(channel.end_s, block.start_s, block.end_s, block.samples)
    channel.end_s = block.end_s
    channel.received_ms = block.received_ms
    channel.reference = block.reference
    return samples
