"""Read once by the server that answers are forked from: the commands, and the rules most used."""

from __future__ import annotations

import importlib.util

import adapters.cli.case
import adapters.cli.main
import adapters.cli.why
from adapters.rule_files import DEFAULT_RULES, load_rules, loaded_again

__all__ = ["adapters"]

loaded_again(load_rules(DEFAULT_RULES).files)
if importlib.util.find_spec("matplotlib") is not None:
    importlib.import_module("matplotlib.figure")
    importlib.import_module("matplotlib.backends.backend_svg")
