"""Small changes of a rule set, to see whether its scenarios would notice them."""

from __future__ import annotations

from rules.mutation.conditions import MOVE, MOVED
from rules.mutation.mutants import Mutant, mutants

__all__ = ["MOVE", "MOVED", "Mutant", "mutants"]
