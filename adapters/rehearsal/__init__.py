"""Rehearsal outside: scenario files, simulated animals, many processes, reports."""
