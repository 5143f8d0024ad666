"""The species of the simulated population: how heavy, how warm, how dense in weight.

Masses and temperatures are common practice, no source; they say what is plausible, not what is
right for one animal.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

ClassName = Literal["mammal", "bird", "reptile"]


@dataclass(frozen=True, slots=True)
class Species:
    """`mass_kg` and `temperature_c` are from-to. `weight` is how often it is drawn."""

    name: str
    class_: ClassName
    mass_kg: tuple[float, float]
    temperature_c: tuple[float, float]
    weight: float = 1.0


SPECIES: Final = (
    Species("cat", "mammal", (0.25, 6.0), (36.6, 38.5), 2.0),
    Species("dog", "mammal", (0.3, 10.0), (36.6, 38.5), 1.5),
    Species("rabbit", "mammal", (0.5, 5.0), (37.0, 39.0), 1.5),
    Species("guinea pig", "mammal", (0.3, 1.2), (36.8, 38.8)),
    Species("ferret", "mammal", (0.5, 2.0), (36.8, 38.8)),
    Species("rat", "mammal", (0.15, 0.6), (36.5, 38.0)),
    Species("mouse", "mammal", (0.03, 0.05), (36.3, 37.8), 0.5),
    Species("hedgehog", "mammal", (0.2, 1.2), (34.2, 35.8)),
    Species("parrot", "bird", (0.08, 1.2), (39.5, 41.2)),
    Species("kestrel", "bird", (0.15, 0.25), (39.5, 41.2), 0.7),
    Species("buzzard", "bird", (0.6, 1.4), (39.5, 41.2), 0.7),
    Species("pigeon", "bird", (0.25, 0.45), (39.8, 41.5)),
    Species("chicken", "bird", (0.8, 3.5), (40.0, 41.5)),
    Species("tortoise", "reptile", (0.3, 4.0), (26.0, 30.0)),
    Species("lizard", "reptile", (0.05, 2.5), (28.0, 33.0)),
    Species("snake", "reptile", (0.1, 5.0), (26.0, 30.0)),
)
BY_NAME: Final = {species.name: species for species in SPECIES}
#: Bands in which results are told apart, in kg: lower end included, upper end not.
MASS_BANDS_KG: Final = ((0.0, 0.1), (0.1, 0.3), (0.3, 1.0), (1.0, 3.0), (3.0, 10.1))


def mass_band(mass_kg: float) -> str:
    """The band of a mass, in words."""
    for low, high in MASS_BANDS_KG:
        if low <= mass_kg < high:
            return f"{low:g}-{min(high, 10.0):g} kg"
    raise ValueError(f"mass_kg: {mass_kg} is not in any band")
