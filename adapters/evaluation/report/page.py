"""The page: overall, by fault, by patient, by what provoked false ones, and the worst cases."""

from __future__ import annotations

from html import escape
from pathlib import Path
from typing import Any

from adapters.evaluation.report import tables
from adapters.evaluation.report.figures_page import write_figures_page
from adapters.evaluation.report.tables import LABELS
from rules.notice import NOTICE

Summary = dict[str, Any]


def write_page(summary: Summary, path: Path) -> None:
    """Write the report; `summary` is what is in `evaluation.json`. Needs Plotly."""
    rules = summary["rule_set"]
    write_figures_page(
        path,
        title=f"Evaluation of {rules['name']}@{rules['version']}",
        facts=_facts(summary),
        notices=[f"<b>{escape(summary['simulated'])}</b>", escape(NOTICE)],
        footer=summary["simulated"],
        sections=_sections(summary),
        figures={name: one.to_plotly_json() for name, one in _figures(summary).items()},
    )


def _facts(summary: Summary) -> str:
    return (
        f"{summary['cases']} simulated cases ({summary['healthy_cases']} without a fault), "
        f"{summary['hours']:.1f} patient hours, seed {summary['seed']}. "
        f"Rule set sha256 {summary['rule_set']['sha256'][:12]}. "
        "Intervals hold 95 % and are exact (Clopper-Pearson for shares, Poisson for rates)."
    )


def _figures(summary: Summary) -> dict[str, Any]:
    from adapters.evaluation.report import figures  # noqa: PLC0415 (optional)

    sides = summary["sides"]
    by_fault = {side: sides[side]["by_fault"] for side in sides}
    with_episodes = [row["name"] for row in by_fault["rules"] if row["episodes"]]
    due = {
        side: [row for row in rows if row["name"] in with_episodes]
        for side, rows in by_fault.items()
    }
    return {
        "noticed": figures.intervals(due, "noticed", "share of episodes noticed"),
        "delays": figures.delays({side: sides[side]["overall"] for side in sides}),
        "mass": figures.intervals(
            {side: sides[side]["by_mass"] for side in sides},
            "false_per_hour",
            "false advisories per patient hour",
        ),
        "happenings": figures.false_by(
            sides["rules"]["by_happening"], "false advisories of the rule set after it"
        ),
        "rules": figures.false_by(sides["rules"]["by_rule"], "false advisories"),
    }


def _sections(summary: Summary) -> list[str]:
    sides = summary["sides"]
    return [
        _section("Overall", _overall(summary)),
        _section("How soon", _picture("delays", "How soon episodes were noticed", _delays(sides))),
        _section("By fault", _picture("noticed", "Share noticed by fault", _by(sides, "by_fault"))),
        _section("By fault and severity", _details(_by(sides, "by_fault_and_severity"))),
        _section(
            "By mass and class of animal",
            _picture("mass", "False advisories by mass", _by(sides, "by_mass"))
            + _by(sides, "by_class"),
        ),
        _section(
            "What provoked false advisories",
            _picture("happenings", "False advisories by benign event", _happenings(sides)),
        ),
        _section(
            "Which rules were wrong", _picture("rules", "False advisories by rule", _rules(sides))
        ),
        _section("The worst cases, and how to look at them", _worst(summary)),
        _section("Recordings", _recordings(summary)),
        _section("How truth was told", _truth(summary)),
    ]


def _section(title: str, body: str) -> str:
    return f"<section><h2>{escape(title)}</h2>{body}</section>"


def _picture(name: str, label: str, words: str) -> str:
    """A picture and, beneath it, the same as a table."""
    return (
        f'<div class="picture"><div id="{name}" role="img" '
        f'aria-label="{escape(label)}; the table below says the same"></div></div>{words}'
    )


def _details(body: str) -> str:
    return f"<details><summary>Show the table</summary>{body}</details>"


def _scroll(text: str) -> str:
    return f'<div class="scroll" tabindex="0">{text}</div>'


_LEGEND = (
    "An episode is a fault that had to be told. Noticed: by a right advisory; called by name: by "
    "one that speaks of that very fault. High priority when grave: of the faults that became "
    "grave, those told at high priority. PPV, the positive predictive value: the share of "
    "advisories that were right. False per hour: of one patient. Delay: from when it was due, "
    "median, and the time within which 95 % came; in breaths: over the time from one breath to "
    "the next. In brackets the ends of 95 % intervals; a dash where there is nothing to count."
)


def _overall(summary: Summary) -> str:
    sides = summary["sides"]
    rows = [[LABELS[side], *tables.performance_cells(sides[side]["overall"])] for side in sides]
    text = _scroll(tables.table("All cases", ("", *tables.PERFORMANCE_HEADS), rows))
    healthy = sides["rules"]["overall"]
    text += f"<p>{escape(_LEGEND)}</p>"
    text += (
        f"<p>While the patient was well ({healthy['healthy_hours']:.1f} h): "
        f"{healthy['false_while_healthy']} false advisories of the rule set, "
        f"{tables.number(healthy['false_while_healthy_per_hour'])} per hour.</p>"
    )
    for other, ratio in summary["compared"].items():
        text += (
            f"<p>False advisories of the rule set over those of <i>{escape(LABELS[other])}</i> "
            f"on the same cases: {tables.number(ratio)} (bootstrap over cases).</p>"
        )
    return text


def _by(sides: Summary, key: str) -> str:
    rows = [
        [row["name"], LABELS[side], *tables.performance_cells(row)]
        for index in range(len(sides["rules"][key]))
        for side in sides
        for row in [sides[side][key][index]]
    ]
    return _scroll(tables.table(key.replace("_", " "), ("", "", *tables.PERFORMANCE_HEADS), rows))


def _delays(sides: Summary) -> str:
    within = (5.0, 10.0, 20.0, 30.0, 60.0)
    rows = []
    for side in sides:
        overall = sides[side]["overall"]
        found, episodes = overall["delays_s"], overall["episodes"]
        cells = [
            f"{100 * sum(one <= most for one in found) / episodes:.0f} %" if episodes else "-"
            for most in within
        ]
        missed = episodes - len(found)
        rows.append([LABELS[side], *cells, f"{missed} of {episodes}"])
    heads = ("", *(f"within {most:g} s" for most in within), "missed")
    return tables.table("Episodes noticed within a time of being due", heads, rows)


def _happenings(sides: Summary) -> str:
    rows = []
    for side in sides:
        rows += [
            [
                row["title"],
                LABELS[side],
                str(row["happened"]),
                str(row["false"]),
                tables.number(row["false_per_happening"], 3),
                tables.counted(row["rules"]),
            ]
            for row in sides[side]["by_happening"]
        ]
    rows.sort(key=lambda row: row[0])
    heads = ("after", "", "happened", "false", "false for each", "rules")
    return _scroll(tables.table("False advisories within 60 s of a benign event", heads, rows))


def _rules(sides: Summary) -> str:
    rows = [
        [
            row["name"],
            str(row["spoken"]),
            str(row["false"]),
            tables.percent(row["predictive_value"]),
            tables.counted(row["false_after"]),
        ]
        for row in sides["rules"]["by_rule"]
    ]
    heads = ("rule", "spoken", "false", "PPV", "false after")
    return _scroll(tables.table("Rules of the rule set", heads, rows))


def _worst(summary: Summary) -> str:
    if not summary["worst"]:
        return "<p>No case was missed, and none had a false advisory.</p>"
    items = "".join(
        f"<li><b>Case {one['case']}</b>, {escape(one['patient'])}: "
        f"{escape('; '.join(one['what']))}<br>"
        + "<br>".join(f"<code>{escape(line)}</code>" for line in one["look"])
        + "</li>"
        for one in summary["worst"]
    )
    return f"<ol>{items}</ol>"


def _recordings(summary: Summary) -> str:
    if not summary["recordings"]:
        return "<p>None were given.</p>"
    rows = [
        [
            one["recording"],
            f"{one['hours']:.2f}",
            LABELS[side],
            str(said["spoken"]),
            tables.plain(said["spoken_per_hour"]),
            tables.counted(said["by_rule"]),
        ]
        for one in summary["recordings"]
        for side, said in one["sides"].items()
    ]
    heads = ("recording", "hours", "", "spoken", "per hour", "rules")
    words = "<p>Of these nobody knows what was true: they show how much is said, not how well.</p>"
    return words + _scroll(tables.table("Recordings", heads, rows))


def _truth(summary: Summary) -> str:
    rows = [
        [
            one["kind"],
            one["measure"],
            one["worse"],
            tables.plain(one["exists"]),
            tables.plain(one["due"]),
            tables.plain(one["grave"]),
            tables.plain(one["grace_s"], " s"),
            ", ".join(one["implies"]) or "-",
        ]
        for one in summary["truth"]
    ]
    heads = ("condition", "measured", "worse when", "there from", "to be told from", "grave from",
             "grace", "brings with it")  # fmt: skip
    words = (
        "<p>Each condition is measured in the simulation, never by what Tidewarden sees. An "
        "advisory is right when a condition that its rule speaks of is there, or ended within the "
        "grace. An episode is noticed by the first right advisory after the fault began.</p>"
    )
    return words + _details(_scroll(tables.table("Conditions", heads, rows)))
