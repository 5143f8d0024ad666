"""A small rule set as its author writes it."""

from __future__ import annotations

ABOUT = """\
name: test-set
version: 0.1.0
title: A rule set for tests
summary: Two rules on CO2 and saturation
caution: for tests only
"""

LIMITS = """\
limits:
  etco2_high:
    meaning: end-tidal CO2 above which ventilation should be reconsidered
    unit: mm[Hg]
    values:
      - value: 55
        where: {class: mammal}
        since: 2026-11-25
        source: {ref: "a paper", confidence: published}
      - absent: trend only, because of the cardiac shunt
        where: {class: reptile}
        since: 2026-11-25
        source: {ref: "a textbook", confidence: common practice}
  te_short:
    meaning: expiratory time below which gas may be trapped
    unit: ms
    values:
      - value: 300
        since: 2026-11-25
        source: {ref: "none", confidence: memory}
"""

RULES = """\
rules:
  - id: etco2-high
    title: CO2 is high
    only_in: {mode: [controlled, spontaneous], phase: maintenance}
    when:
      all:
        - {fact: etco2.min_30s, above: limit etco2_high}
        - {fact: breath.since, below: 20 s}
        - any:
            - {fact: settings.mode, is: controlled}
            - {fact: battery.charge, at_most: 20 %}
        - none:
            - {fact: power.supply, is: mains}
        - {unknown: spo2}
    for: 10 s
    clears:
      any:
        - {fact: etco2, below: limit etco2_high, less: "3 mm[Hg]"}
    clears_for: 0.5 min
    harm: death or irreversible injury
    onset: prompt
    cause: hypoventilation
    outranks: [spo2-low]
    says: "CO2 is {etco2}, above {limit etco2_high}."
    because: "For {held} at least {etco2.min_30s}; limit {limit etco2_high} ({source etco2_high})."
    look_at: ["the circuit", "the tube"]
    source: {ref: "a paper", confidence: published}
    caution: "capnograms of very small animals read low"
  - id: spo2-low
    title: Saturation is low
    when: {fact: spo2, below: 90 %}
    harm: reversible injury
    onset: immediate
    cause: hypoxaemia
    says: "Saturation is {spo2}."
    because: "Saturation is {spo2}."
    source: {ref: "a textbook", confidence: published}
"""

FILES = {"rule-set.yaml": ABOUT, "limits.yaml": LIMITS, "co2.yaml": RULES}
