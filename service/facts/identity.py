"""Whether the animal on the table can be the one on the screen.

Compliance grows with mass and the heart slows down with it. When both are far off to the same side
the mass, or the patient, is likely to be another; one of them alone has many other reasons.
"""

from __future__ import annotations

from typing import Final

from service.facts.factset import FactSet

#: Compliance so many times that of the line, with a pulse under this share of its line: larger.
LARGER: Final = (3.0, 0.55)
#: Compliance under this share with a pulse so many times as fast: smaller. Anaesthesia slows the
#: heart, so a pulse over the line of an awake animal says much. (Our choice, no source.)
SMALLER: Final = (1.0 / 3.0, 1.5)


def identity_facts(facts: FactSet) -> None:
    """`patient.doubtful`; needs the facts of lung and pulse put before."""
    lung = facts.values.get("lung.compliance_over_expected")
    pulse = facts.values.get("pulse.over_expected")
    doubtful = None
    if isinstance(lung, float) and isinstance(pulse, float):
        larger = lung > LARGER[0] and pulse < LARGER[1]
        smaller = lung < SMALLER[0] and pulse > SMALLER[1]
        doubtful = larger or smaller
    facts.put("patient.doubtful", doubtful, "compliance or pulse not known against a line")
