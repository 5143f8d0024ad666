"""Rule sets of a site, stores and a ledger, for the tests of versions of rule sets."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from adapters.rule_activation import Signed
from adapters.rule_files import DEFAULT_RULES, LoadedRules, load_rules, loaded_again
from rules.versions import parse_version
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


def library_with(folder: Path, file: str, before: str, after: str) -> Path:
    """The rules in use with one change in one file, as the next version, in a folder."""
    files = dict(load_rules(DEFAULT_RULES).files)
    assert before in files[file]
    files[file] = files[file].replace(before, after, 1)
    about = files["rule-set.yaml"]
    version = parse_version(load_rules(DEFAULT_RULES).rule_set.version)
    newer = replace(version, patch=version.patch + 1)
    files["rule-set.yaml"] = about.replace(f"version: {version}", f"version: {newer}")
    return folder_of(loaded_again(files), folder)


def signed(by: str = "second", why: str = "our animals are small", minute: int = 0) -> Signed:
    """Signed some minutes after the start."""
    return Signed(by, why, to_text(START_MS + 60_000 * minute))


def small_rules(folder: Path, version: str = "1.0.0", *, spo2_low: float = 90) -> Path:
    """A rule set of one rule, called `ours`, in a folder; what lies there already stays."""
    folder.mkdir(exist_ok=True)
    about = f"name: ours\nversion: {version}\ntitle: Ours\nsummary: One rule\ncaution: a test\n"
    (folder / "rule-set.yaml").write_text(about, encoding="utf-8")
    rule = f"""\
rules:
  - id: spo2-low
    title: Saturation is low
    when: {{fact: spo2, below: {spo2_low:g} %}}
    harm: reversible injury
    onset: immediate
    cause: hypoxaemia
    says: "Saturation is {{spo2}}."
    because: "Saturation is {{spo2}}."
    source: {{ref: "a textbook", confidence: published}}
"""
    (folder / "rules.yaml").write_text(rule, encoding="utf-8")
    return folder
