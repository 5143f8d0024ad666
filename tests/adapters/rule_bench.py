"""Rule sets of a site, stores and a ledger, for the tests of versions of rule sets."""

from __future__ import annotations

from pathlib import Path

from adapters.rule_activation import Signed
from adapters.rule_files import LoadedRules, load_rules, loaded_again
from service.instants import to_text

#: A small rule set that never changes.
RELEASED = "small-animal-ventilation@0.1.0"

START_MS = 1_795_611_600_000
NAME = "small-animal-ventilation"


def variant(version: str, *, co2_high: float = 55, name: str = NAME) -> LoadedRules:
    """The default rules under another version, with this limit of CO2."""
    files = dict(load_rules(RELEASED).files)
    about = files["rule-set.yaml"].replace("version: 0.1.0", f"version: {version}")
    files["rule-set.yaml"] = about.replace(f"name: {NAME}", f"name: {name}")
    assert files["limits.yaml"].count("value: 55\n") >= 1
    files["limits.yaml"] = files["limits.yaml"].replace("value: 55\n", f"value: {co2_high:g}\n")
    return loaded_again(files)


def folder_of(rules: LoadedRules, folder: Path) -> Path:
    """The rule set as files in a folder."""
    folder.mkdir()
    for name, text in rules.files.items():
        (folder / name).write_text(text, encoding="utf-8")
    return folder


def signed(by: str = "second", why: str = "our animals are small", minute: int = 0) -> Signed:
    """Signed some minutes after the start."""
    return Signed(by, why, to_text(START_MS + 60_000 * minute))
