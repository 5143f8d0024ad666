"""Why a rule spoke or did not, clause by clause, as a clinician reads it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import Final

from adapters.cli.words import MARKS
from adapters.rehearsal.report.hindsight import Reason, Stretch
from adapters.rehearsal.report.html import Html, joined, table, tag, text
from adapters.rehearsal.report.words import seconds
from rules.rationale import ClauseResult, margin_words
from rules.vocabulary import CATALOGUE
from service.why import State, Why

_HOLDS: Final = {
    True: ("good", "\u2713 holds"),
    False: ("bad", "\u2717 does not hold"),
    None: ("unsure", "? not known"),
}
_STATES: Final[dict[State, str]] = {
    "stands": "its advisory stands",
    "waits": "its condition holds",
    "out of scope": "it does not apply",
    "not judged": "it cannot be judged, since something is not known",
    "does not hold": "its condition does not hold",
}
_MOST_STRETCHES: Final = 6
_NEED_NOT: Final = "need not"


def reason_html(reason: Reason) -> Html:
    """A heading, a sentence or two, and the clauses with values, limits and margins."""
    now = reason.why
    spoke = now.state == "stands"
    title = f"Why{'' if spoke else ' not'}: {now.rule.id} at {seconds(reason.at_s)}"
    return tag(
        "section",
        tag("h4", text(title)),
        tag("p", text(_rule_words(now)), class_="dim"),
        tag("p", text(_sentences(reason))),
        _clauses(now, seconds(reason.at_s), reason.escalating),
        *_nearest(reason.nearest),
        class_="why",
    )


def _rule_words(now: Why) -> str:
    rule = now.rule
    mark = MARKS[rule.priority.value].strip()
    waits = f"It speaks once its condition has held for {seconds(rule.for_s)}. "
    return (
        f"{mark} {rule.priority.value}: {rule.title}. {waits if rule.for_s else ''}"
        f"Source: {rule.source.ref} ({rule.source.confidence.value})."
    )


def _sentences(reason: Reason) -> str:
    now = reason.why
    words = [f"At {seconds(reason.at_s)} {_STATES[now.state]}{_how_long(now)}."]
    if now.explained_by is not None:
        words.append(f"It is shown under {now.explained_by}, which explains it.")
    words += [
        f"It applies when {key} is {' or '.join(asked)}; here it is {label or 'not known'}."
        for key, asked, label in now.scope
        if label not in asked
    ]
    words.append(_held_words(reason.held, now.rule.for_s))
    return " ".join(words)


def _how_long(now: Why) -> str:
    if now.state != "waits" or now.held_s is None:
        return ""
    return f", for {seconds(now.held_s)} of the {seconds(now.rule.for_s)} that it asks for"


def _held_words(held: Sequence[Stretch], for_s: float) -> str:
    if not held:
        return "In the whole scenario its condition never held."
    times = [
        f"from {seconds(one.begins_s)} to {seconds(one.ends_s)} ({seconds(one.lasts_s)})"
        for one in held[:_MOST_STRETCHES]
    ]
    more = f", and {len(held) - len(times)} times more" if len(held) > len(times) else ""
    short = max(one.lasts_s for one in held) < for_s
    never = f": never for the {seconds(for_s)} that it asks for" if short else ""
    return f"In the whole scenario its condition held {', '.join(times)}{more}{never}."


def _clauses(now: Why, when: str, escalating: Iterable[ClauseResult]) -> Html:
    spoke = now.state == "stands"
    # What is in the way of speaking, or, once it has spoken, of its being over.
    in_the_way = () if spoke else now.in_the_way
    rows = [_row("is judged when", clause, _needed(clause, in_the_way)) for clause in now.needs]
    rows += [_row("speaks when", clause, _needed(clause, in_the_way)) for clause in now.when]
    if spoke:
        change = "for it to be over, this has to change"
        for clause in now.clears:
            rows.append(_row("is over when", clause, _needed(clause, now.in_the_way, change)))
        rows += [_row("escalates when", clause, "") for clause in escalating]
    heads = ("clause", "part", "value and limit", "margin", "holds?")
    return table(f"Each clause of {now.rule.id} at {when}", heads, rows)


def _needed(
    clause: ClauseResult, in_the_way: Sequence[ClauseResult], change: str = "this has to change"
) -> str:
    """Whether a clause that does not hold has to change: where others are enough it need not."""
    if clause.holds:
        return ""
    return change if clause in in_the_way else _NEED_NOT


def _row(part: str, clause: ClauseResult, needed: str) -> list[Html]:
    meaning = CATALOGUE[clause.fact].meaning
    subject = [text(meaning), tag("code", text(clause.fact))]
    colour, mark = _HOLDS[clause.holds]
    holds = [tag("span", text(mark), class_="beside" if needed == _NEED_NOT else colour)]
    if needed:
        holds.append(tag("b", text(needed), class_="dim" if needed == _NEED_NOT else "change"))
    return [
        joined(subject, " "),
        text(part),
        text(clause.text.removeprefix(f"{meaning} is ")),
        text(_margin(clause)),
        joined(holds, "<br>"),
    ]


def _margin(clause: ClauseResult) -> str:
    if clause.margin is None:
        return "-"
    return f"{margin_words(clause)} {'to spare' if clause.margin >= 0 else 'short'}"


def _nearest(nearest: Reason | None) -> Iterator[Html]:
    if nearest is None:
        return
    when = seconds(nearest.at_s)
    yield tag("p", text(f"It came nearest to speaking at {when}:"))
    yield _clauses(nearest.why, when, ())
