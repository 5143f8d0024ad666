"""One scenario: what happens, what was asked, what came, why, and a picture of it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from adapters.cli.words import MARKS
from adapters.rehearsal.report import words
from adapters.rehearsal.report.hindsight import Hindsight
from adapters.rehearsal.report.html import Html, joined, listed, priority, table, tag, text, verdict
from adapters.rehearsal.report.limits_shown import Limits
from adapters.rehearsal.report.plots import Panel, Picture, line_words, named_rules, picture
from adapters.rehearsal.report.reasons import reason_html
from adapters.rehearsal.run import Rehearsed
from rules.model import RuleSet
from rules.vocabulary import CATALOGUE
from service.advisories import AdvisoryEvent
from service.rehearsal.running import event_s


@dataclass(frozen=True, slots=True)
class Shown:
    """One scenario as it stands in the page, and the data of its picture."""

    html: Html
    picture: dict[str, Any] | None


class Scenarios:
    """Writes the scenarios of one rule set."""

    def __init__(self, rule_set: RuleSet) -> None:
        self._hindsight = Hindsight(rule_set)
        self._limits = Limits(rule_set)

    def shown(self, one: Rehearsed, identity: str) -> Shown:
        """A `details` element, open when something is not as expected."""
        drawn = picture(one, self._limits)
        body = [
            *_about(one),
            tag("h4", text("What happens")),
            listed(map(text, words.happenings(one.scenario, self._named_facts(one)))),
            _verdicts(one),
            *self._reasons(one),
            *_said(one),
            *_picture(one, drawn, identity),
        ]
        html = Html(
            f'<details class="scenario" id="{identity}"{"" if one.passed else " open"}>'
            f'{_summary(one)}<div class="body">{joined(body)}</div></details>'
        )
        return Shown(html, None if drawn is None else drawn.body())

    def _named_facts(self, one: Rehearsed) -> frozenset[str]:
        rules = (self._limits.rules.get(rule) for rule in named_rules(one))
        return frozenset().union(*(rule.facts() for rule in rules if rule is not None))

    def _reasons(self, one: Rehearsed) -> Iterator[Html]:
        """Why, for every point that is not met; once for the same rule and time."""
        missed = ((v.rule, v.at_s) for v in one.verdicts if not v.met)
        for rule, at_s in dict.fromkeys(missed):
            reason = self._hindsight.reason(one, rule, at_s)
            if reason is not None:
                yield reason_html(reason)


def _summary(one: Rehearsed) -> Html:
    scenario = one.scenario
    facts = f"{scenario.animal}, {words.length(scenario, one.lasts_s)}"
    return tag(
        "summary",
        verdict(one.passed, "as expected", "not as expected"),
        Html(" "),
        tag("b", text(scenario.name)),
        Html(" "),
        tag("span", text(facts), class_="dim"),
    )


def _about(one: Rehearsed) -> Iterator[Html]:
    scenario = one.scenario
    if scenario.about:
        yield tag("p", text(scenario.about))
    facts = f"{words.animal(scenario)}. Written in {scenario.where}. "
    facts += f"A time may be missed by {words.seconds(scenario.tolerance_s)}."
    yield tag("p", text(facts), class_="dim")


def _verdicts(one: Rehearsed) -> Html:
    if not one.verdicts:
        return tag("p", text("Nothing is asked of it."))
    because = _because(one)
    rows = []
    for point in one.verdicts:
        came = [text(point.why or "as asked")]
        reason = because.pop((point.rule, point.at_s), None) if point.met else None
        if reason is not None:
            came.append(tag("small", text(reason)))
        rows.append(
            [
                text(point.asks),
                verdict(point.met, "met", "not met"),
                joined(came, "<br>"),
                tag("code", text(point.where)),
            ]
        )
    heads = ("asked", "met?", "what came", "written in")
    return table("What was asked, and what came", heads, rows, "points")


def _because(one: Rehearsed) -> dict[tuple[str | None, float | None], str]:
    """Why each advisory was raised, by its rule and when (s)."""
    if one.ran is None:
        return {}
    return {
        (event.advisory.rule, event_s(event)): event.advisory.because
        for event in one.ran.events
        if event.kind in ("raised", "returned")
    }


def _said(one: Rehearsed) -> Iterator[Html]:
    if one.ran is None:
        return
    if not one.ran.events:
        yield tag("p", text("Nothing was said."))
        return
    rows = [_event(event, one.ran.explainer(event)) for event in one.ran.events]
    yield table("What was said", ("time", "change", "advisory", "in words"), rows, "said")


def _event(event: AdvisoryEvent, explainer: str | None) -> list[Html]:
    advisory = event.advisory
    change = [text(event.kind)]
    if event.by is not None:
        change.append(text(f"by {event.by}"))
    told = [text(advisory.says)] if event.kind in ("raised", "returned", "escalated") else []
    if event.reason:
        told.append(text(event.reason))
    if explainer is not None and event.kind != "cleared":
        told.append(tag("i", text(f"explained by {explainer}")))
    mark = priority(MARKS[advisory.priority.value], advisory.priority.value)
    return [
        text(words.seconds(event_s(event))),
        joined(change, " "),
        joined([mark, text(advisory.rule)], " "),
        joined(told, "<br>"),
    ]


# -- the picture ----------------------------------------------------------------------------------


def _picture(one: Rehearsed, drawn: Picture | None, identity: str) -> Iterator[Html]:
    if drawn is None:
        return
    yield tag(
        "div",
        class_="plot",
        role="img",
        aria_label=drawn.words(one.scenario.name),
        data_plot=identity,
    )
    if drawn.panels:
        yield _numbers(drawn.panels)


def _numbers(panels: list[Panel]) -> Html:
    rows = [
        [
            joined([text(CATALOGUE[panel.fact].meaning), tag("code", text(panel.fact))], " "),
            text(panel.shown(panel.points[0][1])),
            text(panel.shown(min(panel.values))),
            text(panel.shown(max(panel.values))),
            text(panel.shown(panel.points[-1][1])),
            joined((text(line_words(line)) for line in panel.lines), "<br>") or text("-"),
        ]
        for panel in panels
    ]
    heads = ("fact", "at first", "lowest", "highest", "at the end", "limits")
    return tag(
        "details",
        tag("summary", text("The picture in numbers")),
        table("Facts over time", heads, rows),
        class_="numbers",
    )
