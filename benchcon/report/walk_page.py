"""The report as one HTML page that needs nothing else: to be kept with the panel, printed, or sent."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from benchcon.diagnosis.figures import words
from benchcon.kinds import kinds
from benchcon.pages import drawn, render
from benchcon.panel.model import Panel
from benchcon.report.walk import foremost
from benchcon.report.walk_face import face
from benchcon.walk.marks import MARKS, count_words

CAUTION = (
    "Before you open the panel: every supply off, USB as well, batteries out, and wait until the capacitors are empty. "
    "Take wires off and put them on with the supply off only. Extra-low voltage alone (SELV) has a place here. Touch "
    "ground before you touch a board. Do not drive a module whose own supply is off: it is fed through its inputs. A "
    "fuse is chosen by the wire behind it. Solder with the supply off, with air, and with your eyes covered."
)
"""What whoever mends a panel must mind; common practice."""


def page(report: Mapping[str, Any], panel: Panel, changed: Sequence[str] | None = None) -> str:
    """Return the page. `changed`: what is other than in an earlier report; None: it was not compared."""
    findings, parts = report["findings"], report["parts"]
    verdicts = {part["name"]: part["verdict"] for part in parts}
    said = {part["name"]: [(n + 1, findings[n]["because"]) for n in part["findings"]] for part in parts}
    labels = {part["name"]: part["label"] or part["name"] for part in parts}
    shown, more = foremost(findings)
    return render(
        "walk.html",
        title=report["panel"]["title"] or "Panel",
        result=report["result"],
        began=report.get("began", ""),
        counted=count_words(report),
        face=drawn(face(panel, verdicts, said)),
        key=[(verdict, *MARKS[verdict]) for verdict in MARKS if report["counts"].get(verdict)],
        findings=[_finding(number, findings[number], labels) for number in shown],
        more_findings=[_finding(n, each, labels) for n, each in enumerate(findings) if n not in shown],
        more=more,
        meanings=_meanings(findings),
        caution=CAUTION,
        remarks=report.get("remarks", ()),
        changed=changed,
        compared=report.get("compared", "the walk before"),
        parts=[_part(part) for part in parts],
        supplies=[_supply(supply) for supply in report.get("supplies", ())],
        boards=[_BOARD | board for board in report.get("boards", ())],
        panel=report["panel"],
    )


_BOARD = dict.fromkeys(("name", "ident", "firmware", "chip", "port"), "")


def _meanings(findings: Sequence[Mapping[str, Any]]) -> list[Any]:
    """Return the kinds of these findings, as far as they are of the table, each once."""
    there = dict.fromkeys(kind for each in findings for kind in each["kinds"] if kind in kinds())
    return [kinds()[kind] for kind in there]


def _finding(number: int, finding: Mapping[str, Any], labels: Mapping[str, str]) -> dict[str, Any]:
    """`number` is from 0; the page counts from 1."""
    names = finding["parts"] or finding["channels"]  # of a whole board or supply
    return {
        **finding,
        "number": number + 1,
        "either": finding.get("either"),
        "called": ", ".join(dict.fromkeys(labels.get(name, name) for name in names)),
        "look_first": finding["look_first"].rstrip(".?"),
    }


def _part(part: Mapping[str, Any]) -> dict[str, Any]:
    sign, found = MARKS[part["verdict"]]
    return {
        **part,
        "label": part["label"] or part["name"],
        "sign": sign,
        "found": found,
        "took": f"{part['took_us'] / 1e6:.1f} s" if part["took_us"] else "",
        "figures": words(part["figures"]),
    }


def _supply(supply: Mapping[str, Any]) -> dict[str, Any]:
    sign, found = MARKS[supply["verdict"]]
    looks = [f"{look['with'] or 'switched off'}: {look['lit']} of {look['of']} lit" for look in supply.get("looks", ())]
    return {**supply, "sign": sign, "found": found, "looks": looks}
