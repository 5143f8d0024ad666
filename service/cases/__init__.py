"""Cases: the stay of one patient at a place, what was measured, what happened, what was advised."""
