"""Apnoea: how fast CO2 rises, and how long the oxygen store holds saturation up.

The slopes of CO2 were measured in man and horse. For a small mammal no measured slope is known:
its interval runs from what man does to what man does in time shortened by the oxygen uptake per
mass (Stahl 1967, from memory). It is for plausibility only.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

from service.physiology import oxygen
from service.physiology.allometry import mammal
from service.physiology.timing import SECONDS_PER_MINUTE, not_negative, positive

Studied = Literal["awake man", "anaesthetised man", "horse"]

_MAN_KG: Final = 70.0
#: The horses were watched for so long.
HORSE_WATCHED_S: Final = 600.0
_STOCK: Final = "Stock 1988 J Clin Anesth 1:96-103"
_EGER: Final = "Eger & Severinghaus 1961, from memory"
_HORSE: Final = "anaesthetised horses and ponies (secondary page)"
_SCALED: Final = f"man ({_EGER}; {_STOCK}), sped up by Stahl's oxygen uptake per mass"


@dataclass(frozen=True, slots=True)
class Rise:
    """By how much PaCO2 has risen (mmHg): equal ends where one slope was measured."""

    low_mmhg: float
    high_mmhg: float
    source: str
    plausibility_only: bool = False


def co2_rise_studied_mmhg(who: Studied, apnoea_s: float) -> Rise:
    """Rise of PaCO2 in mmHg after `apnoea_s` without breath, in those it was measured in.

    ValueError for a horse beyond the ten minutes that were watched.
    """
    not_negative(apnoea_s=apnoea_s)
    match who:
        case "awake man":
            rise = _awake_man(apnoea_s)
            return Rise(rise, rise, _STOCK)
        case "anaesthetised man":
            rise = _anaesthetised_man(apnoea_s)
            return Rise(rise, rise, _EGER)
        case "horse":
            if apnoea_s > HORSE_WATCHED_S:
                raise ValueError(f"apnoea_s must be at most {HORSE_WATCHED_S:g} s in a horse")
            minutes = apnoea_s / SECONDS_PER_MINUTE
            # Horses: 5.5 a minute throughout. Ponies: 11 in the first minute, then 14 to 16 at
            # which they stayed.
            low, high = min(11.0 * minutes, 14.0), min(11.0 * minutes, 16.0)
            return Rise(min(5.5 * minutes, low), max(5.5 * minutes, high), _HORSE)


def co2_rise_small_mammal_mmhg(mass_kg: float, apnoea_s: float) -> Rise:
    """Interval of the rise of PaCO2 in mmHg after `apnoea_s` in a mammal of `mass_kg`.

    From the slope of anaesthetised man as it is to that of awake man sped up by oxygen uptake per
    mass: (mass/70 kg)^-0.24, 3.7 times at 0.3 kg. Plausibility only. ValueError over 70 kg.
    """
    not_negative(apnoea_s=apnoea_s)
    pace = uptake_per_kg_over_man(mass_kg)
    if pace < 1.0:
        raise ValueError(f"mass_kg must be at most {_MAN_KG:g}, not {mass_kg!r}")
    return Rise(
        _anaesthetised_man(apnoea_s), _awake_man(pace * apnoea_s), _SCALED, plausibility_only=True
    )


def uptake_per_kg_over_man(mass_kg: float) -> float:
    """Stahl's oxygen uptake per kg of a mammal of `mass_kg`, over that of man of 70 kg."""
    here, man = mammal(mass_kg), mammal(_MAN_KG)
    per_kg = here.oxygen_uptake_ml_per_min / mass_kg
    return per_kg / (man.oxygen_uptake_ml_per_min / _MAN_KG)


def _awake_man(apnoea_s: float) -> float:
    """7 in the first 10 s, 2 in the next 10 s, then 6 a minute."""
    first = 7.0 * min(apnoea_s, 10.0) / 10.0
    second = 2.0 * min(max(apnoea_s - 10.0, 0.0), 10.0) / 10.0
    return first + second + 6.0 * max(apnoea_s - 20.0, 0.0) / SECONDS_PER_MINUTE


def _anaesthetised_man(apnoea_s: float) -> float:
    """12 in the first minute, then 3.4 a minute."""
    minutes = apnoea_s / SECONDS_PER_MINUTE
    return 12.0 * min(minutes, 1.0) + 3.4 * max(minutes - 1.0, 0.0)


def store_time_s(
    mass_kg: float,
    from_mmhg: float,
    to_mmhg: float,
    barometric_mmhg: float = oxygen.SEA_LEVEL_MMHG,
) -> float:
    """Time in s in which a mammal empties its lung from one alveolar PO2 to a lower one.

    FRC (P1 - P2)/(PB - 47)/VO2 with Stahl's FRC and awake VO2: the lung alone, so blood lengthens
    it, as does anaesthesia; a lung made smaller by anaesthesia shortens it. Zero when `to_mmhg` is
    not under `from_mmhg`.
    """
    animal = mammal(mass_kg)
    not_negative(from_mmhg=from_mmhg, to_mmhg=to_mmhg)
    positive(dry_mmhg=barometric_mmhg - oxygen.WATER_VAPOUR_MMHG)
    share = max(0.0, from_mmhg - to_mmhg) / (barometric_mmhg - oxygen.WATER_VAPOUR_MMHG)
    store_ml = animal.functional_residual_capacity_ml * share
    return store_ml / animal.oxygen_uptake_ml_per_min * SECONDS_PER_MINUTE


def saturation_holds_s(
    mass_kg: float,
    inspired_share: float,
    saturation: float = 0.90,
    p50_mmhg: float | None = None,
    arterial_co2_mmhg: float = 40.0,
) -> float:
    """How long (s) saturation stays over `saturation` in a mammal once ventilation has stopped.

    The time in which the lung empties from the alveolar PO2 at `inspired_share` (0 to 1) to the PO2
    of that saturation, by `store_time_s`. `p50_mmhg` is that of the species; without, by size. A
    monitor shows it later still, by its averaging. On oxygen a small animal holds a minute or so:
    its saturation is then a late sign. On air it is not: seconds.
    """
    positive(mass_kg=mass_kg)
    p50 = oxygen.p50_by_mass_mmhg(mass_kg) if p50_mmhg is None else p50_mmhg
    start = oxygen.alveolar_po2_mmhg(inspired_share, arterial_co2_mmhg)
    return store_time_s(mass_kg, start, oxygen.po2_for_saturation_mmhg(saturation, p50))
