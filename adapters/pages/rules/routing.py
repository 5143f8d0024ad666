"""The pages on rules, each from a reading of the store and the library in a thread of its own."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final
from urllib.parse import urlencode

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

from adapters.config import Config
from adapters.library_releases import library_releases
from adapters.pages.kept import NoStoreError
from adapters.pages.render import Render
from adapters.pages.rules import told
from adapters.pages.rules.asked import asked
from adapters.pages.rules.past import (
    Over,
    read_fared,
    read_latest,
    read_trial,
    read_versions,
)
from adapters.pages.rules.shelf import Shelf
from adapters.patient_limits import limit_rows
from adapters.sqlite.reading import StoreError
from rules.changes import asked_step, next_version
from rules.difference import difference
from rules.model import RuleSet
from rules.vocabulary import CLASSES, PHASES
from rules.vocabulary.species import species_known
from rules.wording import duration
from service.instants import to_text

_Page = Callable[[Request], Response]
#: So many advisories that differ are told; `tidewarden rules trial report` tells them all.
_DIFFERENT_SHOWN: Final = 40


def routes(render: Render, config: Config) -> list[BaseRoute]:
    """All pages on rules."""
    pages = _Pages(render, config)
    by_path: dict[str, _Page] = {
        "/rules": pages.overview,
        "/rules/compare": pages.compare,
        "/rules/{name}/{version}": pages.rule_set,
        "/rules/{name}/{version}/limits": pages.limits,
        "/rules/{name}/{version}/rule/{rule}": pages.rule,
    }
    return [Route(path, _in_thread(page)) for path, page in by_path.items()]


def _in_thread(page: _Page) -> Callable[[Request], Any]:
    """Reading a store takes its time: what is pushed to other pages must not wait for it."""

    async def answer(request: Request) -> Response:
        return await run_in_threadpool(page, request)

    return answer


class _Pages:
    def __init__(self, render: Render, config: Config) -> None:
        self._render = render
        self._config = config
        self._shelf = Shelf(config)

    def overview(self, request: Request) -> Response:
        over: Over = "store" if request.query_params.get("over") == "store" else "day"
        values: dict[str, Any] = {
            "no_store": None, "versions": None, "fared": None, "fared_unread": None, "trial": None,
            "trial_unread": None,
        }  # fmt: skip
        otherwise = self._shelf.otherwise()
        deciding = otherwise
        try:
            with self._shelf.opened() as database:
                versions = read_versions(database, self._config.rules.policy())
                values["versions"] = versions
                if versions.deciding is not None:
                    deciding = versions.deciding.spec
                values |= _or_why("fared", lambda: read_fared(database, over)[0])
            values |= _or_why("trial", lambda: read_trial(self._shelf))
        except NoStoreError:
            values["no_store"] = ("rules_no_store", {"path": self._shelf.store})
        except StoreError as error:
            values["no_store"] = ("rules_store_unread", {"why": error})
        rules = self._shelf.find(deciding)
        return self._render(
            request,
            "rules.html",
            over=over,
            otherwise=otherwise,
            deciding=deciding,
            rules=None if rules is None else rules.by_id,
            here_version=None if rules is None else rules,
            listed=library_releases(),
            specs=self._shelf.specs(),
            shown=_DIFFERENT_SHOWN,
            lasts=duration,
            instant=to_text,
            **values,
        )

    def rule_set(self, request: Request) -> Response:
        rules = self._asked_for(request)
        if rules is None:
            return self._missing(request)
        only = request.query_params.get("only") == "approve"
        find = request.query_params.get("find", "").strip()
        groups = told.by_group(rules, to_approve=only, find=find)
        query = {**({"only": "approve"} if only else {}), **({"find": find} if find else {})}
        entries = [e for one in rules.limits.limits.values() for e in one.entries]
        return self._render(
            request,
            "rule_set.html",
            rules=rules,
            only=only,
            find=find,
            groups=groups,
            found_count=sum(len(found) for _, _, found in groups),
            query=urlencode(query),
            tree=told.tree,
            sure=told.sure,
            published=told.published,
            of_rules=told.to_approve(rule.source for rule in rules.rules),
            of_values=told.to_approve(entry.source for entry in entries),
        )

    def rule(self, request: Request) -> Response:
        rules = self._asked_for(request)
        if rules is None or request.path_params["rule"] not in rules.by_id:
            return self._missing(request)
        rule = rules.by_id[request.path_params["rule"]]
        values: dict[str, Any] = {"spans": [], "latest": []}
        try:
            with self._shelf.opened() as database:
                values["latest"] = read_latest(database, rule.id)
                spans: tuple[Over, ...] = ("day", "store")
                values["spans"] = list(zip(spans, read_fared(database, *spans), strict=True))
        except StoreError:
            pass  # Then there is nothing to tell of it but what it is.
        return self._render(
            request,
            "rule.html",
            rules=rules,
            lasts=duration,
            **told.of_rule(rules, rule),
            **values,
        )

    def limits(self, request: Request) -> Response:
        rules = self._asked_for(request)
        if rules is None:
            return self._missing(request)
        found = asked(request.query_params)
        rows = [] if found.patient is None else limit_rows(rules, found.patient)
        return self._render(
            request,
            "rule_limits.html",
            400 if found.wrong else 200,
            rules=rules,
            asked=found,
            rows=rows,
            value_words=told.value_words,
            species=sorted(species_known()),
            classes=CLASSES,
            phases=PHASES,
        )

    def compare(self, request: Request) -> Response:
        specs = self._shelf.specs()
        given = {key: request.query_params.get(key, "") for key in ("from", "to")}
        found = {key: self._shelf.find(spec) for key, spec in given.items() if spec}
        unknown = [given[key] for key, rules in found.items() if rules is None]
        values: dict[str, Any] = {"changes": None, "where_words": told.where_words}
        before, after = found.get("from"), found.get("to")
        if before is not None and after is not None:
            values |= _difference(before, after)
        return self._render(
            request,
            "rule_compare.html",
            404 if unknown else 200,
            specs=specs,
            chosen=_chosen(specs, given),
            unknown=unknown,
            **values,
        )

    def _asked_for(self, request: Request) -> RuleSet | None:
        return self._shelf.find(f"{request.path_params['name']}@{request.path_params['version']}")

    def _missing(self, request: Request) -> Response:
        return self._render(
            request, "missing.html", 404, here="rules", what=request.url.path, instead="rules"
        )


def _or_why(name: str, read: Callable[[], Any]) -> dict[str, Any]:
    """What is read, or why that cannot be: what else there is to tell is told all the same."""
    try:
        return {name: read()}
    except StoreError as error:
        return {f"{name}_unread": error}


def _chosen(specs: list[str], given: dict[str, str]) -> dict[str, str]:
    """What stands in the form: what was asked for, else the last version and the one before."""
    after = given["to"] or specs[-1]
    at = specs.index(after) if after in specs else 1
    return {"from": given["from"] or specs[max(0, at - 1)], "to": after}


def _difference(before: RuleSet, after: RuleSet) -> dict[str, Any]:
    changes = difference(before, after)
    step = asked_step(changes)
    return {
        "before": before,
        "after": after,
        "changes": changes,
        "weights": told.by_weight(changes),
        "step": None if step is None else step.words,
        "fitting": None if step is None else next_version(before.version, step),
    }
