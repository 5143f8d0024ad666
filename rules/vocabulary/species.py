"""Species by name: the kind whose limits they share, and their class.

A limit written for `raptor` serves a kestrel too. A name that is not here falls back to the class
that the patient message gives.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

KINDS: Final[Mapping[str, str]] = {
    "cat": "mammal", "dog": "mammal", "rabbit": "mammal", "guinea pig": "mammal",
    "ferret": "mammal", "rat": "mammal", "mouse": "mammal", "hamster": "mammal",
    "hedgehog": "mammal", "squirrel": "mammal", "bat": "mammal",
    "parrot": "bird", "raptor": "bird", "pigeon": "bird", "chicken": "bird", "songbird": "bird",
    "waterfowl": "bird",
    "tortoise": "reptile", "lizard": "reptile", "snake": "reptile",
    "frog": "amphibian",
}  # fmt: skip
"""Every kind with its class."""

_MEMBERS: Final[Mapping[str, tuple[str, ...]]] = {
    "cat": ("kitten", "domestic cat"),
    "dog": ("puppy", "domestic dog"),
    "rat": ("brown rat",),
    "mouse": ("wood mouse", "house mouse"),
    "hamster": ("golden hamster", "dwarf hamster", "gerbil"),
    "squirrel": ("red squirrel", "grey squirrel", "chipmunk"),
    "bat": ("pipistrelle",),
    "parrot": (
        "grey parrot", "cockatiel", "cockatoo", "budgerigar", "macaw", "amazon parrot",
        "lovebird", "parakeet",
    ),
    "raptor": (
        "kestrel", "buzzard", "sparrowhawk", "hawk", "falcon", "owl", "tawny owl", "barn owl",
        "eagle", "kite", "harrier",
    ),
    "pigeon": ("dove", "wood pigeon"),
    "chicken": ("hen", "cockerel", "quail", "pheasant"),
    "songbird": ("blackbird", "thrush", "finch", "canary", "starling", "crow", "magpie", "robin"),
    "waterfowl": ("duck", "goose", "swan", "mallard"),
    "tortoise": ("turtle", "terrapin"),
    "lizard": ("bearded dragon", "gecko", "iguana", "chameleon", "monitor lizard"),
    "snake": ("corn snake", "python", "boa", "grass snake"),
    "frog": ("toad", "newt", "salamander", "axolotl"),
}  # fmt: skip

_KIND_OF: Final[Mapping[str, str]] = {
    member: kind for kind, members in _MEMBERS.items() for member in members
}


def names_of(species: str | None) -> tuple[str, ...]:
    """The names that limits of a species may be written for, the closest first."""
    if species is None:
        return ()
    name = species.strip().casefold()
    kind = _KIND_OF.get(name)
    return (name,) if kind is None else (name, kind)


def class_of(species: str) -> str | None:
    """The class of a species; None for a name that is not known."""
    return next((KINDS[name] for name in names_of(species) if name in KINDS), None)


def species_known() -> tuple[str, ...]:
    """Every name with a class."""
    return (*KINDS, *_KIND_OF)
