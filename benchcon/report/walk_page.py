"""The report as one self-contained HTML page, to keep with the panel, print, or send."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import groupby
from typing import Any

from benchcon.diagnosis.figures import words
from benchcon.durations import lasted, when
from benchcon.firmware.wiring_list import Section, of_panel
from benchcon.kinds import kinds
from benchcon.pages import drawn, render
from benchcon.panel.model import Board, Panel
from benchcon.report.walk import foremost
from benchcon.report.walk_face import face, key_mark
from benchcon.text import capitalised, counted, times
from benchcon.units import volts
from benchcon.walk.marks import MARKS, UNTESTED, count_words

CAUTION = (
    "Before you open the panel, switch every supply off, USB and batteries too, and wait until the capacitors have "
    "discharged. Connect and disconnect wires only with the supply off. Work on separated extra-low voltage (SELV) "
    "only: whatever touches the mains is for licensed people, under your local electrical code. Touch ground before "
    "you touch a board. Do not drive a module whose own supply is off: it is powered through its inputs, and that "
    "destroys it. Choose a fuse by the thinnest wire behind it. Solder with the supply off, in moving air, with eye "
    "protection."
)
"""Precautions for whoever repairs the panel (common practice, no source)."""


def page(report: Mapping[str, Any], panel: Panel, changed: Sequence[str] | None = None) -> str:
    """Return the HTML page. `changed` are the changes from an earlier report; None: it was not compared."""
    findings, parts = report["findings"], report["parts"]
    verdicts = {part["name"]: part["verdict"] for part in parts}
    said = {part["name"]: [(n + 1, findings[n]["because"]) for n in part["findings"]] for part in parts}
    labels = {part["name"]: part["label"] or part["name"] for part in parts}
    shown, more = foremost(findings)
    picture = face(panel, verdicts, said)
    return render(
        "walk.html",
        title=report["panel"]["title"] or "Panel",
        result=report["result"],
        verdict=_verdict(report),
        any_connector=any(wire["connector"] or wire["wire"] for part in parts for wire in part["wires"]),
        about=_about(report),
        counted=count_words(report),
        face=drawn(picture.svg),
        numbered=picture.keys,
        key=[(drawn(key_mark(verdict)), MARKS[verdict][1]) for verdict in MARKS if report["counts"].get(verdict)],
        findings=[_finding(number, findings[number], labels) for number in shown],
        more_findings=[_finding(n, each, labels) for n, each in enumerate(findings) if n not in shown],
        more=more,
        meanings=_meanings(findings),
        caution=CAUTION,
        remarks=report.get("remarks", ()),
        changed=changed,
        compared=report.get("compared", "the walk before"),
        parts=[_part(part, part["name"] in report.get("kept", ())) for part in parts],
        untested=_untested(report.get("untested", ())),
        beyond=BEYOND,
        supplies=[_supply(supply) for supply in report.get("supplies", ())],
        boards=[_board(board) for board in report.get("boards", ())],
        wiring=[
            {"name": name_of_board(each.board), "runs": [(n, list(run)) for n, run in groupby(each.sections, _narrow)]}
            for each in of_panel(panel)
            if each.sections
        ],
        program=report.get("program", "benchcon"),
        panel=report["panel"],
    )


BEYOND = (
    "wires that drop out only when they are moved (benchcon walk --wiggle all)",
    "hours of load and heat (benchcon walk --soak)",
    "how fast outputs answer their controls (benchcon timing)",
    "fuses, insulation, and whatever is not on a channel of a board",
)
"""What a walk does not test."""


def _verdict(report: Mapping[str, Any]) -> str:
    """Return the overall result in one line, which does not pass what was not tested."""
    if report["result"] != "passed":
        return "✗ faulty: see below"
    counts = report["counts"]
    if not counts.get("passed"):
        return "– nothing was tested"
    left = sum(counts.get(each, 0) for each in UNTESTED)
    return "✓ no fault found in what was tested" if left else "✓ passed: no fault found"


def _about(report: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Return the rows of the page's head, with room to write a name if nobody said who walked."""
    took = report.get("took_s")
    who = report.get("by") or ("a simulated hand" if report.get("simulated") else "")
    rows = [
        ("Serial number", report.get("serial") or ""),
        ("Walked", when(str(report.get("began", "")), str(report.get("zone", "")))),
        ("It took", lasted(took) if isinstance(took, int | float) else ""),
    ]
    kept = report.get("kept", ())
    said = [*((word, text) for word, text in rows if text), ("By", who)]
    if kept:
        what = f"{counted(len(kept), 'part')}, marked “earlier” below: as a walk before this one found them"
        said.append(("Not asked again", what))
    for each in report.get("other_boards", ()):
        how, names = "; ".join(each["differences"]), ", ".join(each["parts"])
        said.append(("Other board", f"{each['name']} was not as now ({how}) when these were judged: {names}"))
    return said


def _narrow(section: Section) -> bool:
    """Return whether the section's table is narrow enough (a table of pins) to stand beside another."""
    return bool(section.table) and len(section.table[0]) <= 3


def name_of_board(board: Board) -> str:
    """Return the heading of a board's wiring: ``met · Weather desk · atmega328p, 5 V``."""
    chip = f"{board.chip}, {board.supply_mv / 1000:g} V" if board.chip else ""
    return " · ".join(filter(None, (board.name, board.label, chip)))


def _board(row: Mapping[str, Any]) -> dict[str, Any]:
    """Return a board and the condition of its link, which is None if it was not watched."""
    board: dict[str, Any] = dict.fromkeys(("name", "ident", "firmware", "chip", "port"), "") | dict(row)
    link = row.get("link")
    if link is None:
        return board | {"link": None}
    rest_mv, least_mv = link["rest_mv"], link["least_mv"]
    supply = volts(least_mv) if least_mv else "not said"
    happened = [
        (link["lost"], "its port was lost"),
        (link["silences"], "it was silent"),
        (link["darks"], "its dead-man darkened it"),
    ]
    causes = f" ({', '.join(link['causes'])})" if link["causes"] else ""
    return board | {
        "link": {
            "resets": f"{link['resets']}{causes}",
            "missing": link["missing"],
            "bad_here": link["bad_here"],
            "bad_there": link["bad_there"],
            "supply": supply + (f" (all dark {volts(rest_mv)})" if least_mv and rest_mv else ""),
            "besides": "; ".join(f"{what} {times(count)}" for count, what in happened if count),
        }
    }


def _untested(rows: Sequence[Mapping[str, str]]) -> list[tuple[str, str]]:
    """Return for each reason everything that was not tested because of it."""
    by: dict[str, list[str]] = {}
    for row in rows:
        by.setdefault(row["why"], []).append(row["what"])
    return [(capitalised(why), ", ".join(dict.fromkeys(names))) for why, names in by.items()]


def _meanings(findings: Sequence[Mapping[str, Any]]) -> list[Any]:
    """Return the kinds of these findings that are in the table of kinds, each once."""
    there = dict.fromkeys(kind for each in findings for kind in each["kinds"] if kind in kinds())
    return [kinds()[kind] for kind in there]


def _finding(number: int, finding: Mapping[str, Any], labels: Mapping[str, str]) -> dict[str, Any]:
    """Return a finding for the page, which counts from 1; `number` is from 0."""
    names = finding["parts"] or finding["channels"]  # a finding on a whole board or supply has no parts
    return {
        **finding,
        "number": number + 1,
        "either": finding.get("either"),
        "called": ", ".join(dict.fromkeys(labels.get(name, name) for name in names)),
        "look_first": finding["look_first"].rstrip(".?"),
    }


def _part(part: Mapping[str, Any], kept: bool) -> dict[str, Any]:
    """Return a part with its wires, as in the wiring list, and its verdict."""
    sign, found = MARKS[part["verdict"]]
    return {
        **part,
        "label": part["label"] or part["name"],
        "sign": sign,
        "found": f"{found}{', earlier' * kept}",
        "notes": "; ".join(filter(None, (words(part["figures"]), part["note"]))),
    }


def _supply(supply: Mapping[str, Any]) -> dict[str, Any]:
    sign, found = MARKS[supply["verdict"]]
    looks = [f"{look['with'] or 'switched off'}: {look['lit']} of {look['of']} lit" for look in supply.get("looks", ())]
    return {**supply, "sign": sign, "found": found, "looks": looks}
