"""A rehearsal as JUnit XML, for build servers: a suite for each file, a case for each scenario."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from typing import Final
from xml.etree import ElementTree as ET

from adapters.rehearsal.report.report import Report
from adapters.rehearsal.run import Rehearsed
from rules.notice import NOTICE
from service.rehearsal.verdicts import Verdict

#: Characters that XML 1.0 does not allow, not even escaped.
_NOT_XML: Final = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def junit_text(report: Report) -> str:
    """The XML. Times are in s by the clock on the wall, 0 where they were not measured."""
    root = ET.Element("testsuites", _counts(report.rehearsed, report.took_s or 0.0))
    root.set("name", f"rehearsal of {_xml(report.rule_set.spec)}")
    for file, scenarios in report.by_file().items():
        times = [_took_s(report, one) for one in scenarios]
        suite = ET.SubElement(root, "testsuite", _counts(scenarios, sum(times)))
        suite.set("name", _xml(file))
        _properties(suite, report)
        for one, took_s in zip(scenarios, times, strict=True):
            _case(suite, one, took_s)
    ET.indent(root)
    return ET.tostring(root, encoding="unicode", xml_declaration=True) + "\n"


def _took_s(report: Report, one: Rehearsed) -> float:
    return report.each_took_s.get(one.scenario.name, 0.0)


def _counts(scenarios: Sequence[Rehearsed], took_s: float) -> dict[str, str]:
    failures = sum(not one.passed for one in scenarios)
    return {
        "tests": str(len(scenarios)),
        "failures": str(failures),
        "errors": "0",
        "time": f"{took_s:.3f}",
    }


def _properties(suite: ET.Element, report: Report) -> None:
    rules = report.rule_set
    properties = ET.SubElement(suite, "properties")
    for name, value in (("rule_set", rules.spec), ("sha256", rules.sha256), ("notice", NOTICE)):
        ET.SubElement(properties, "property", name=name, value=_xml(value))


def _case(suite: ET.Element, one: Rehearsed, took_s: float) -> None:
    scenario = one.scenario
    case = ET.SubElement(
        suite,
        "testcase",
        classname=_xml(scenario.where.file),
        name=_xml(scenario.name),
        file=_xml(scenario.where.file),
        line=str(scenario.where.line),
        time=f"{took_s:.3f}",
    )
    missed = [verdict for verdict in one.verdicts if not verdict.met]
    if missed:
        failure = ET.SubElement(case, "failure", message=_xml(_line(missed[0])))
        failure.text = _xml(_lines(missed))


def _lines(missed: Iterable[Verdict]) -> str:
    return "\n".join(map(_line, missed))


def _line(verdict: Verdict) -> str:
    return f"{verdict.where}: {verdict.asks}: {verdict.why}"


def _xml(words: str) -> str:
    return _NOT_XML.sub("?", words)
