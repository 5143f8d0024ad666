"""Rehearsal: scenarios that a rule set is held against, run on the code that runs live."""
