"""Rule sets by name and version, from the store, the library or the folder configured."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path

from sqlite_utils import Database

from adapters.config import Config
from adapters.pages.kept import opened
from adapters.rule_files import LoadedRules, RuleFilesError, library, load_rules, loaded_again
from adapters.sqlite.ledger import RuleLedger
from adapters.sqlite.reading import StoreError
from adapters.sqlite.store import FILE_NAME
from rules.model import RuleSet
from rules.reading import RuleSetError
from rules.versions import parse_version


@dataclass(slots=True)
class Shelf:
    """Finds rule sets. What it has read once it keeps: the same hash is the same rules."""

    config: Config
    _read: dict[str, RuleSet] = field(default_factory=dict)

    @property
    def store(self) -> Path:
        """The file of the store, whether it is there or not."""
        return self.config.store.directory / FILE_NAME

    @contextmanager
    def opened(self) -> Iterator[Database]:
        """The store, read-only. NoStoreError or StoreError when it cannot be read."""
        with opened(self.store) as database:
            if "rule_activations" not in database.table_names():
                raise StoreError(
                    f"{self.store}: of an older form; the service brings it up to date"
                )
            yield database

    def specs(self) -> list[str]:
        """NAME@VERSION of all that can be shown, by name and then from the oldest on."""
        found = set(library()) | {rules.spec for rules in (self._configured(),) if rules}
        try:
            with self.opened() as database:
                rows = database.execute("select name || '@' || version from rule_sets")
                found |= {str(spec) for (spec,) in rows}
        except StoreError:
            pass  # Those of the library are there all the same.
        return sorted(found, key=_by_version)

    def find(self, spec: str) -> RuleSet | None:
        """The rules of this name and version; where several have it, those that decide.

        None where nobody has them, or they cannot be read: others of that name would mislead.
        """
        try:
            with self.opened() as database:
                number = _number(database, spec, RuleLedger(database.conn))
                if number is not None:
                    return self.kept(RuleLedger(database.conn), number)
        except StoreError:
            pass  # The library has it, or nobody.
        except RuleSetError:
            return None
        if spec in library():
            return _of_library(spec).rule_set
        rules = self._configured()
        return rules if rules is not None and rules.spec == spec else None

    def kept(self, ledger: RuleLedger, number: int) -> RuleSet:
        """Rules by their number in the store."""
        sha256 = ledger.rules(number).sha256
        if sha256 not in self._read:
            self._read[sha256] = loaded_again(ledger.files(number)).rule_set
        return self._read[sha256]

    def otherwise(self) -> str:
        """What decides where nothing was activated: NAME@VERSION, or the folder as it is named."""
        rules = self._configured()
        return self.config.rules.use if rules is None else rules.spec

    def _configured(self) -> RuleSet | None:
        """The rules of the configuration; None when they cannot be read just now."""
        use = self.config.rules.use
        try:
            return (_of_library(use) if use in library() else load_rules(use)).rule_set
        except (RuleFilesError, RuleSetError):
            return None


def _number(database: Database, spec: str, ledger: RuleLedger) -> int | None:
    """The rule set of this name: one that decides or is tried, else the released, else the last."""
    rows = database.execute(
        "select s.id, r.id is not null from rule_sets s left join rule_releases r "
        "on r.rule_set_id = s.id where s.name || '@' || s.version = ? order by 2, 1",
        [spec],
    )
    found = [int(number) for number, _ in rows]
    wanted = ledger.wanted()
    first = (ledger.in_use(), wanted.active, wanted.trial)
    return next((number for number in first if number in found), found[-1] if found else None)


def _by_version(spec: str) -> tuple[str, object]:
    name, _, version = spec.partition("@")
    return name, parse_version(version).precedence


@cache
def _of_library(spec: str) -> LoadedRules:
    return load_rules(spec)
