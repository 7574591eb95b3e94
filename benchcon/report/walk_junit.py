"""A walk as JUnit XML: one test case a part, for programs that show test results."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any
from xml.etree import ElementTree

_FORBIDDEN = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def junit(report: Mapping[str, Any]) -> bytes:
    """Return the report as a JUnit document, UTF-8.

    A part that is wrong is a failure, one that was skipped, not wired or not asked is skipped; the suites are the kinds
    of parts, and what the walk did besides (hands off, all dark, matrices).
    """
    root = ElementTree.Element("testsuites", name=_clean(report["panel"]["title"] or "walk"))
    suites: dict[str, list[Mapping[str, Any]]] = {}
    for part in report["parts"]:
        suites.setdefault(part["kind"], []).append(part)
    for kind, parts in suites.items():
        failures = sum(part["verdict"] in ("wrong", "perhaps") for part in parts)
        skipped = sum(part["verdict"] in ("skipped", "not wired", "not asked") for part in parts)
        suite = ElementTree.SubElement(
            root,
            "testsuite",
            name=kind,
            tests=str(len(parts)),
            failures=str(failures),
            errors="0",
            skipped=str(skipped),
            time=f"{sum(part['took_us'] for part in parts) / 1e6:.3f}",
        )
        if report.get("began"):
            suite.set("timestamp", _clean(str(report["began"])[:19]))
        for part in parts:
            _case(suite, part, report)
    _besides(root, report)
    ElementTree.indent(root)
    return bytes(ElementTree.tostring(root, encoding="utf-8", xml_declaration=True)) + b"\n"


def _case(suite: ElementTree.Element, part: Mapping[str, Any], report: Mapping[str, Any]) -> None:
    case = ElementTree.SubElement(
        suite,
        "testcase",
        classname=_clean(f"walk.{part['kind']}"),
        name=_clean(part["name"]),
        time=f"{part['took_us'] / 1e6:.3f}",
    )
    if part["verdict"] in ("wrong", "perhaps"):
        found = [report["findings"][number] for number in part["findings"]]
        failure = ElementTree.SubElement(
            case, "failure", type=_clean(found[0]["kind"]), message=_clean(found[0]["line"])
        )
        failure.text = _clean(
            "\n".join(f["line"] + (f"\nTo decide: {f['decide']}" if f["decide"] else "") for f in found)
        )
    elif part["verdict"] != "good":
        ElementTree.SubElement(case, "skipped", message=_clean(part["verdict"]))
    if part["note"]:
        ElementTree.SubElement(case, "system-out").text = _clean(part["note"])


def _besides(root: ElementTree.Element, report: Mapping[str, Any]) -> None:
    """Findings that name no part of the panel's list would be lost: a matrix's, say. They hang on the whole walk."""
    named = {number for part in report["parts"] for number in part["findings"]}
    rest = [finding for number, finding in enumerate(report["findings"]) if number not in named]
    suite = ElementTree.SubElement(
        root, "testsuite", name="walk", tests="1", failures=str(int(bool(rest))), errors="0", skipped="0", time="0.000"
    )
    case = ElementTree.SubElement(suite, "testcase", classname="walk", name="whole", time="0.000")
    if rest:
        failure = ElementTree.SubElement(case, "failure", type=_clean(rest[0]["kind"]), message=_clean(rest[0]["line"]))
        failure.text = _clean("\n".join(finding["line"] for finding in rest))


def _clean(text: str) -> str:
    """Text without what XML 1.0 forbids."""
    return _FORBIDDEN.sub("\ufffd", text)
