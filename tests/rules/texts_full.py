"""A rule set with every key of the language, and one that a site builds on it."""

from __future__ import annotations

from texts import ABOUT, LIMITS

PARAMETERS = """\
parameters:
  settle:
    meaning: how long breaths must have come before CO2 is judged
    value: 20 s
    between: 10 s to 2 min
    source: {ref: "common practice, no source", confidence: common practice}
  gap:
    meaning: how far CO2 must fall below its limit
    value: 3 mm[Hg]
    between: 1 mm[Hg] to 1 kPa
    source: {ref: "common practice, no source", confidence: common practice}
  share:
    meaning: share of the usual inspiratory time
    value: 0.7
    between: 0.5 to 0.9
    source: {ref: "common practice, no source", confidence: common practice}
"""

CAUSES = """\
causes:
  tube-kinked:
    title: The tube is kinked
    look: Follow the tube from the T-piece to the mouth.
    fits:
      - when: {fact: ti.ratio_to_baseline, below: parameter share}
        says: "inspiration is {ti.ratio_to_baseline} of usual, under {parameter share}"
    against:
      - when: {fact: spo2, at_least: 95 %}
        says: "saturation is {spo2}"
    source: {ref: "a textbook", confidence: published}
  mask-leaks:
    title: The mask leaks
    look: Listen at the mask.
  hypoventilation:
    title: Too little ventilation
    look: Count the breaths.
    fits:
      - when: {fact: etco2, above: limit etco2_high}
        says: "CO2 is {etco2}, limit {limit etco2_high}"
"""

RULES = """\
rules:
  - id: etco2-high
    title: CO2 is high
    when: {fact: etco2.min_30s, above: limit etco2_high}
    needs:
      - etco2
      - {fact: breath.since, below: parameter settle}
    for: parameter settle
    clears: {fact: etco2, below: limit etco2_high, less: parameter gap}
    clears_for: 5 s
    again: 3 min
    latch: true
    remind: {raised: 60 s, acknowledged: 5 min}
    escalate:
      harm: death or irreversible injury
      onset: immediate
      when: {fact: spo2, below: 85 %}
      for: 30 s
    harm: reversible injury
    onset: prompt
    cause: hypoventilation
    may_be: [tube-kinked, hypoventilation]
    outranks: [spo2-low]
    says: "CO2 is {etco2}."
    because: "Judged after {parameter settle}; it is over {parameter gap} below the limit."
    source: {ref: "a paper", confidence: published}
  - id: spo2-low
    title: Saturation is low
    when: {fact: spo2, below: 90 %}
    harm: reversible injury
    onset: immediate
    cause: mask-leaks
    says: "Saturation is {spo2}."
    because: "Saturation is {spo2}."
    source: {ref: "a textbook", confidence: published}
"""

FULL = {
    "rule-set.yaml": ABOUT,
    "limits.yaml": LIMITS,
    "parameters.yaml": PARAMETERS,
    "causes.yaml": CAUSES,
    "co2.yaml": RULES,
}

SITE_ABOUT = """\
name: our-house
version: 1.0.0
title: The rules of our house
summary: What we changed
caution: approved for our house only
parent: test-set@0.1.0
without:
  - rule: spo2-low
    approved: {by: head of anaesthesia, on: 2026-12-01, why: the monitor has its own}
"""

SITE_LIMITS = """\
limits:
  etco2_high:
    values:
      - value: 50
        where: {class: mammal}
        since: 2026-12-01
        source: {ref: "our own audit", confidence: common practice}
        approved: {by: head of anaesthesia, on: 2026-12-01, why: we act earlier}
"""

SITE_PARAMETERS = """\
parameters:
  settle:
    value: 1 min
    approved: {by: head of anaesthesia, on: 2026-12-01, why: our animals settle slowly}
"""

SITE_RULES = """\
rules:
  - id: spo2-very-low
    title: Saturation is very low
    when: {fact: spo2, below: 80 %}
    for: parameter settle
    harm: death or irreversible injury
    onset: immediate
    cause: mask-leaks
    says: "Saturation is {spo2}."
    because: "Saturation was {spo2} for {held}."
    source: {ref: "our own", confidence: memory}
"""


def built_on(files: dict[str, str], own: dict[str, str]) -> dict[str, str]:
    """`own` with `files` as those of its parent."""
    return {**own, **{f"parent/{name}": text for name, text in files.items()}}


OWN = {
    "rule-set.yaml": SITE_ABOUT,
    "limits.yaml": SITE_LIMITS,
    "parameters.yaml": SITE_PARAMETERS,
    "ours.yaml": SITE_RULES,
}
SITE = built_on(FULL, OWN)
