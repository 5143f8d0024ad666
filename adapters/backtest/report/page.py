"""The page: how much was said, how well where that is known, and each night."""

from __future__ import annotations

import json
from collections.abc import Sequence
from html import escape
from itertools import islice
from pathlib import Path
from typing import Any, Final

from adapters.backtest.summary import OfOne
from adapters.evaluation.report.figures_page import write_figures_page
from adapters.evaluation.report.tables import number, percent, plain, table
from rules.notice import NOTICE

Summary = dict[str, Any]
#: Nights that are drawn; the files name them all.
MOST_PICTURES: Final = 24
_MOST_ROWS: Final = 200


def write_page(summary: Summary, nights: Sequence[Sequence[OfOne]], path: Path) -> None:
    """Write the report; `summary` is what is in `backtest.json`, `nights` hold each source by
    each rule set. Needs Plotly."""
    from adapters.backtest.report.nights import picture  # noqa: PLC0415 (optional)

    specs = _specs(summary)
    drawn = [picture(specs, night) for night in islice(_worth(nights), MOST_PICTURES)]
    write_figures_page(
        path,
        title=f"Backtest of {' and '.join(specs)}",
        facts=_facts(summary),
        notices=[escape(NOTICE)],
        footer=NOTICE,
        sections=_sections(summary, [(one.name, one.words) for one in drawn]),
        figures={f"night-{at}": json.loads(one.figure.to_json()) for at, one in enumerate(drawn)},
    )


def _worth(nights: Sequence[Sequence[OfOne]]) -> list[Sequence[OfOne]]:
    """Nights with something to show, those with labels first."""
    shown = [
        night for night in nights if any(by.verdict.judged or by.verdict.episodes for by in night)
    ]
    return sorted(shown, key=lambda night: night[0].verdict.known_h == 0.0)


def _specs(summary: Summary) -> list[str]:
    return [f"{one['name']}@{one['version']}" for one in summary["rule_sets"]]


def _facts(summary: Summary) -> str:
    sources = summary["sources"]
    hashes = ", ".join(one["sha256"][:12] for one in summary["rule_sets"])
    return (
        f"{sources['watched']} recordings and stores, {sources['patient_hours']:.1f} patient "
        f"hours, {sources['messages']} messages; {sources['labelled']} with labels, of "
        f"{sources['known_hours']:.1f} hours all that was wrong is known. Rules sha256 {hashes}. "
        "Intervals hold 95 % and are exact (Clopper-Pearson for shares, Poisson for rates)."
    )


def _sections(summary: Summary, drawn: Sequence[tuple[str, str]]) -> list[str]:
    sections = [
        ("How much was said", _burden(summary)),
        ("Against what was true", _labelled(summary)),
        ("By condition", _conditions(summary)),
        ("By rule", _rules(summary)),
    ]
    if summary["compared"]:
        sections.append(("What differs between the rule sets", _differences(summary)))
    sections += [
        ("Nights", _pictures(drawn, summary)),
        ("What was missed", _missed(summary)),
        ("What was said without reason", _false(summary)),
    ]
    if summary["sources"]["unread"]:
        sections.append(("What could not be read", _unread(summary)))
    sections.append(("How it was counted", _legend()))
    return [f"<section><h2>{escape(title)}</h2>{body}</section>" for title, body in sections]


def _scroll(text: str) -> str:
    return f'<div class="scroll" tabindex="0" role="group" aria-label="Table">{text}</div>'


def _burden(summary: Summary) -> str:
    rows = []
    for spec, one in zip(_specs(summary), summary["rule_sets"], strict=True):
        overall, load = one["overall"], one["burden"]
        rows.append(
            [
                spec,
                str(overall["spoken"]),
                number(overall["spoken_per_hour"]),
                ", ".join(f"{count} {name}" for name, count in overall["by_priority"].items()),
                plain(load["spoke_per_10_min"]),
                str(load["most_in_10_min"]),
                str(load["floods"]),
                plain(load["flood_percent"], " %"),
                str(len(load["chattering"])),
            ]
        )
    heads = ("rule set", "advisories", "per patient hour", "by priority",
             "in 10 min of a ward, mean", "most in 10 min",
             "floods", "time in flood", "chattering")  # fmt: skip
    published = "; ".join(
        f"{name.replace('_', ' ')}: {words}" for name, words in summary["published"].items()
    )
    return _scroll(table("All sources", heads, rows)) + f"<p>Published: {escape(published)}.</p>"


def _labelled(summary: Summary) -> str:
    if not summary["sources"]["labelled"]:
        return (
            "<p>No source has labels: nobody knows what was right, so only the amount is told. "
            "Write what you know into NAME.labels.yaml beside a source, and run it again.</p>"
        )
    rows = [
        [
            spec,
            str(overall["episodes"]),
            percent(overall["noticed"]),
            percent(overall["named"]),
            percent(overall["urgent_told"]),
            percent(overall["predictive_value"]),
            str(overall["false"]),
            number(overall["false_per_hour"]),
            number(overall["delay_s"], 1),
            plain(overall["delay_p95_s"], " s"),
            str(overall["not_known"]),
        ]
        for spec, one in zip(_specs(summary), summary["rule_sets"], strict=True)
        for overall in [one["overall"]]
    ]
    heads = ("rule set", "had to be told", "noticed", "called by name",
             "urgent ones at high priority",
             "PPV", "false", "false per hour", "delay, s: median", "95th",
             "not known")  # fmt: skip
    return _scroll(table("Where something is known", heads, rows))


def _conditions(summary: Summary) -> str:
    rows = [
        [
            row["name"],
            spec,
            str(row["episodes"]),
            percent(row["noticed"]),
            percent(row["named"]),
            number(row["delay_s"], 1),
            plain(row["delay_p95_s"], " s"),
        ]
        for spec, one in zip(_specs(summary), summary["rule_sets"], strict=True)
        for row in one["by_condition"]
    ]
    rows.sort(key=lambda row: row[0])
    heads = ("condition", "rule set", "had to be told", "noticed", "called by name",
             "delay, s: median", "95th")  # fmt: skip
    return _scroll(table("Conditions", heads, rows))


def _rules(summary: Summary) -> str:
    rows = [
        [
            row["name"],
            spec,
            str(row["spoken"]),
            number(row["spoken_per_hour"]),
            str(row["right"]),
            str(row["false"]),
            str(row["not_known"]),
        ]
        for spec, one in zip(_specs(summary), summary["rule_sets"], strict=True)
        for row in one["by_rule"]
    ]
    rows.sort(key=lambda row: row[0])
    heads = ("rule", "rule set", "spoken", "per patient hour", "right", "false", "not known")
    return _scroll(table("Rules that spoke", heads, rows))


def _differences(summary: Summary) -> str:
    parts = []
    for one in summary["compared"]:
        rows = [
            [
                row["rule"],
                str(row["before"]),
                str(row["after"]),
                *(str(row[verdict] or "-") for verdict in _VERDICTS),
                plain(row["moved_by_s"], " s"),
            ]
            for row in one["rules"]
            if any(row[verdict] for verdict in _VERDICTS)
        ]
        heads = ("rule", "A", "B", *_VERDICTS, "moved by, median")
        parts.append(_scroll(table(f"A: {one['before']}, B: {one['after']}", heads, rows)))
    return "".join(parts)


_VERDICTS: Final = ("new", "gone", "earlier", "later", "other priority", "other rule")


def _pictures(drawn: Sequence[tuple[str, str]], summary: Summary) -> str:
    if not drawn:
        return "<p>Nothing was said, and nothing had to be told.</p>"
    body = "".join(
        f'<h3>{escape(name)}</h3><div class="picture" tabindex="0" role="group" '
        f'aria-label="{escape(name)}"><div id="night-{at}" role="img" '
        f'aria-label="{escape(words)}"></div></div><p>{escape(words)}</p>'
        for at, (name, words) in enumerate(drawn)
    )
    left = summary["sources"]["watched"] - len(drawn)
    words = f"{left} more are not drawn: nothing was said in them, or {MOST_PICTURES} were enough."
    return body + (f"<p>{words} advisories.csv holds all that was said.</p>" if left else "")


def _missed(summary: Summary) -> str:
    rows = [
        [
            ", ".join(row["what"]),
            spec,
            row["source"],
            row["place"],
            row["due_at"],
            "yes" if row["urgent"] else "no",
            row["note"] or "-",
            _look(row, spec, row["due_at"], None),
        ]
        for spec, one in zip(_specs(summary), summary["rule_sets"], strict=True)
        for row in one["missed"][:_MOST_ROWS]
    ]
    heads = ("what", "rule set", "source", "place", "due at", "urgent", "note", "how to look at it")
    return _scroll(table("Missed", heads, rows))


def _false(summary: Summary) -> str:
    rows = [
        [
            row["rule"],
            spec,
            row["source"],
            row["place"],
            row["at"],
            row["priority"],
            row["says"],
            _look(row, spec, row["at"], row["rule"]),
        ]
        for spec, one in zip(_specs(summary), summary["rule_sets"], strict=True)
        for row in one["false"][:_MOST_ROWS]
    ]
    heads = ("rule", "rule set", "source", "place", "at", "priority", "said", "how to look at it")
    return _scroll(table("False", heads, rows))


def _look(row: dict[str, Any], spec: str, at: str, rule: str | None) -> str:
    if row["source"].endswith(".sqlite"):
        asked = f" --rule {rule}" if rule else ""
        return f"tidewarden why {row['place']} --store {row['source']}{asked} --at {at}"
    return f"tidewarden replay {row['source']} --rules {spec} --out look --plots"


def _unread(summary: Summary) -> str:
    rows = [[row["name"], row["why"]] for row in summary["sources"]["unread"]]
    return _scroll(table("Not read, or only up to where it says", ("source", "why"), rows))


def _legend() -> str:
    return (
        "<p>Each source was watched by the code that runs live, with nothing else changed than "
        "the rules. An advisory counts when it asks for attention, not when it reminds. It is "
        "right when a condition that its rule speaks of was there by the labels, followed from "
        "one that was, or had ended within the grace of that condition; false when it came where "
        "all that was wrong is known, and nothing makes it right; else nobody knows. The PPV and "
        "the false ones per hour are of those stretches alone. Something that had to be told was "
        "noticed by the first advisory that is right by it, also by one that stood already; the "
        "delay counts from when it was due. A flood: more than 10 distinct advisories of a ward "
        "asked within 10 min. How often somebody acknowledged is as it was then, not as it would "
        "have been with other rules.</p>"
    )
