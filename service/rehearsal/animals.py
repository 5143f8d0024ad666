"""Healthy animals to begin with, where an author has not said which (mass in kg; our choice)."""

from __future__ import annotations

from typing import Final

from service.rehearsal.scenario import Animal

ANIMALS: Final = tuple(
    Animal(species, class_, mass_kg)
    for class_, kinds in (
        ("mammal", {"cat": 3.1, "dog": 4.0, "rabbit": 1.8, "hedgehog": 0.7, "bat": 0.03,
                    "squirrel": 0.25, "rat": 0.3, "mouse": 0.03, "guinea pig": 0.8, "badger": 8.0}),
        ("bird", {"pigeon": 0.35, "kestrel": 0.2, "parrot": 0.4, "chicken": 1.5, "swan": 9.0,
                  "robin": 0.02}),
        ("reptile", {"tortoise": 1.2, "lizard": 0.3, "snake": 0.8, "gecko": 0.05}),
        ("amphibian", {"frog": 0.1}),
    )
    for species, mass_kg in kinds.items()
)  # fmt: skip
"""Of all classes, in the order in which they are tried."""

#: One of each class but one, in the order in which one of another class is sought.
ONE_OF_A_CLASS: Final = tuple(
    next(animal for animal in ANIMALS if animal.class_ == class_)
    for class_ in ("mammal", "reptile", "bird")
)
