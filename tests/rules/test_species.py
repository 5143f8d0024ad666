"""The table of species: every name once, each with a class."""

from __future__ import annotations

from collections import Counter
from itertools import chain

import pytest

from rules.vocabulary import CLASSES
from rules.vocabulary.species import _MEMBERS, KINDS, class_of, names_of, species_known


def test_every_name_is_there_once() -> None:
    names = Counter(chain(KINDS, *_MEMBERS.values()))
    assert [name for name, count in names.items() if count > 1] == []
    assert sorted(species_known()) == sorted(names)


def test_every_kind_has_a_class_and_every_member_a_kind() -> None:
    assert set(KINDS.values()) <= set(CLASSES)
    assert set(_MEMBERS) <= set(KINDS)
    assert all(class_of(name) in CLASSES for name in species_known())


def test_names_are_written_as_they_are_looked_up() -> None:
    for name in species_known():
        assert name == name.strip().casefold()


@pytest.mark.parametrize(
    ("species", "names", "class_"),
    [
        # Zoological classes of the species: textbook zoology, no source needed.
        ("kestrel", ("kestrel", "raptor"), "bird"),
        (" Tawny Owl ", ("tawny owl", "raptor"), "bird"),
        ("raptor", ("raptor",), "bird"),
        ("kitten", ("kitten", "cat"), "mammal"),
        ("terrapin", ("terrapin", "tortoise"), "reptile"),
        ("axolotl", ("axolotl", "frog"), "amphibian"),
        ("pipistrelle", ("pipistrelle", "bat"), "mammal"),
        ("unheard-of", ("unheard-of",), None),
    ],
)
def test_names_and_class(species: str, names: tuple[str, ...], class_: str | None) -> None:
    assert names_of(species) == names
    assert class_of(species) == class_


def test_no_species_has_no_names() -> None:
    assert names_of(None) == ()
