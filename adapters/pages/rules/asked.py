"""The patient whose limits somebody asks for, from the fields of a form."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

from adapters.patient_limits import MASS_KG, nearest_species
from adapters.texts import say
from rules.limits import PatientContext
from rules.vocabulary import CLASSES, PHASES
from rules.vocabulary.species import class_of

_MASS: Final = re.compile(r"\s*(\d{1,6}(?:[.,]\d{1,6})?)\s*(kg|g|)\s*", re.IGNORECASE)
#: A number alone is kilograms, up to this: 410 of a hedgehog were meant as grams.
_BARE_MOST_KG: Final = 20.0
_USUAL_PHASE: Final = "maintenance"


@dataclass(frozen=True, slots=True)
class Asked:
    """What was asked: `given` is what stands in the form, `wrong` says of each field what to mend.

    `patient` is None while something is wrong, or nothing was asked yet.
    """

    given: Mapping[str, str]
    wrong: Mapping[str, str] = field(default_factory=dict)
    patient: PatientContext | None = None


def asked(query: Mapping[str, str]) -> Asked:
    """The patient that the query describes."""
    given = {name: query.get(name, "").strip() for name in ("species", "class", "mass", "phase")}
    if not any(given.values()):
        return Asked({**given, "phase": _USUAL_PHASE})
    given["phase"] = given["phase"] or _USUAL_PHASE
    wrong: dict[str, str] = {}
    mass_kg = _mass_kg(given["mass"], wrong)
    class_ = _class(given, wrong)
    if given["phase"] not in PHASES:
        wrong["phase"] = say("limits_wrong_phase", known=", ".join(PHASES))
    if wrong:
        return Asked(given, wrong)
    patient = PatientContext(class_, given["species"] or None, mass_kg, given["phase"])
    return Asked(given, wrong, patient)


def _mass_kg(text: str, wrong: dict[str, str]) -> float | None:
    if not text:
        return None
    found = _MASS.fullmatch(text)
    if found is None:
        wrong["mass"] = say("limits_wrong_mass", given=text)
        return None
    number, unit = float(found[1].replace(",", ".")), found[2].lower()
    if not unit and number > _BARE_MOST_KG:
        wrong["mass"] = say("limits_wrong_mass_unit", given=text)
        return None
    mass_kg = number / 1000.0 if unit == "g" else number
    least, most = MASS_KG
    if not least <= mass_kg <= most:
        wrong["mass"] = say("limits_wrong_mass_range", least=least * 1000, most=most)
        return None
    return mass_kg


def _class(given: Mapping[str, str], wrong: dict[str, str]) -> str | None:
    species, class_ = given["species"], given["class"]
    if class_ and class_ not in CLASSES:
        wrong["class"] = say("limits_wrong_class", known=", ".join(CLASSES))
        return None
    known = class_of(species) if species else None
    if species and known is None and not class_:
        hint = nearest_species(species) or "."
        wrong["species"] = say("limits_wrong_species", given=species, hint=hint)
    return class_ or known
