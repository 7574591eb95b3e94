"""A walk as JUnit XML, with a test case for each part, for programs that show test results."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from benchcon.junit import Case, Failure, Suite, document
from benchcon.walk.marks import FAULTY


def junit(report: Mapping[str, Any]) -> bytes:
    """Return the report as a JUnit document in UTF-8.

    A faulty part is a failure; a part that was skipped, not wired or not asked is skipped. There is a suite for each
    kind of part, and one for the walk's other steps (hands off, all dark, matrices).
    """
    kinds: dict[str, list[Case]] = {}
    for part in report["parts"]:
        kinds.setdefault(part["kind"], []).append(_case(part, report["findings"]))
    began = str(report.get("began") or "")[:19]
    suites = [Suite(kind, cases, began=began) for kind, cases in kinds.items()]
    # Findings that name no part, such as those about a matrix, would be lost; they go to a case for the whole walk.
    named = {number for part in report["parts"] for number in part["findings"]}
    rest = [finding for number, finding in enumerate(report["findings"]) if number not in named]
    whole = Case("walk", "whole", 0.0, _failure(rest) if rest else None)
    suites.append(Suite("walk", [whole], began=began, properties=dict(_properties(report))))
    return document(suites, report["panel"]["title"] or "walk")


def _case(part: Mapping[str, Any], findings: Sequence[Mapping[str, Any]]) -> Case:
    wires = {f"wire {n}": wire_words(wire) for n, wire in enumerate(part["wires"], 1)}
    case = Case(f"walk.{part['kind']}", part["name"], part["took_us"] / 1e6, note=part["note"], properties=wires)
    if part["verdict"] in FAULTY:
        return case._replace(failure=_failure([findings[number] for number in part["findings"]]))
    return case if part["verdict"] == "passed" else case._replace(skipped=part["verdict"])


def _properties(report: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    """Yield the head of the report as properties: who, when, panel, the boards' links, and what was not tested."""
    for key in ("serial", "began", "zone", "took_s", "by", "program"):
        if report.get(key):
            yield key, str(report[key])
    yield "panel", str(report["panel"]["digest"])
    for board in report.get("boards", ()):
        yield f"{board['name']} firmware", str(board.get("firmware", ""))
        for key, value in board.get("link", {}).items():
            yield f"{board['name']} {key}", ", ".join(map(str, value)) if isinstance(value, list) else str(value)
    for row in report["untested"]:
        yield f"not tested: {row['what']}", row["why"]


def wire_words(wire: Mapping[str, str]) -> str:
    """Return in one line where a wire goes, as far as it is known: ``J1 pin 4, green, D4, met.unit``."""
    plug = f"{wire['connector']}{' pin ' * bool(wire['connector_pin'])}{wire['connector_pin']}"
    return ", ".join(filter(None, (plug.strip(), wire["wire"], wire["pin"], wire["channel"])))


def _failure(found: Sequence[Mapping[str, Any]]) -> Failure:
    lines = [each["line"] + (f"\nTo decide: {each['decide']}" if each["decide"] else "") for each in found]
    return Failure(found[0]["line"], "\n".join(lines), found[0]["kind"])
