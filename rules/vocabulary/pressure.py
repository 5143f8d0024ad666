"""Facts of airway pressure."""

from __future__ import annotations

from typing import Final

from rules.vocabulary.fact import Fact

PRESSURE: Final = (
    Fact(
        "paw.pip",
        "peak inspiratory pressure of the last inflation",
        "breaths",
        unit="cm[H2O]",
        low=-20.0,
        high=120.0,
        digits=1,
    ),
    Fact(
        "paw.pip_median_5",
        "median peak pressure of the last five inflations",
        "breaths",
        unit="cm[H2O]",
        low=-20.0,
        high=120.0,
        digits=1,
    ),
    Fact(
        "paw.pip_over_target",
        "peak pressure of the last inflation less the target",
        "breaths",
        unit="cm[H2O]",
        low=-60.0,
        high=120.0,
        digits=1,
    ),
    Fact(
        "paw.baseline",
        "baseline airway pressure before the last inflation",
        "breaths",
        unit="cm[H2O]",
        low=-20.0,
        high=60.0,
        digits=1,
    ),
    Fact(
        "paw.mean",
        "mean airway pressure of the last whole breath",
        "breaths",
        unit="cm[H2O]",
        low=-20.0,
        high=80.0,
        digits=1,
    ),
    Fact(
        "paw.max_10s",
        "highest airway pressure in the last 10 s",
        "breaths",
        unit="cm[H2O]",
        low=-40.0,
        high=150.0,
        digits=1,
    ),
    Fact(
        "paw.max_5s",
        "highest airway pressure in the last 5 s",
        "breaths",
        unit="cm[H2O]",
        low=-40.0,
        high=150.0,
        digits=1,
    ),
    Fact(
        "paw.max_10s_over_target",
        "highest airway pressure in the last 10 s less the target",
        "breaths",
        unit="cm[H2O]",
        low=-60.0,
        high=150.0,
        digits=1,
    ),
    Fact(
        "paw.sustained",
        "time that pressure has now stayed up without release",
        "breaths",
        unit="s",
        high=1e5,
        digits=1,
    ),
    Fact(
        "paw.driving",
        "peak less baseline pressure of the last inflation",
        "breaths",
        unit="cm[H2O]",
        high=120.0,
        digits=1,
    ),
    Fact(
        "paw.coverage_10s",
        "share of the last 10 s in which airway pressure was received",
        "breaths",
        high=1.0,
        digits=2,
    ),
)
