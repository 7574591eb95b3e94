"""The report of a walk as JSON values, and its changes from an earlier one. See `protocols/walk-report.md`."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from benchcon.diagnosis.diagnose import diagnose
from benchcon.diagnosis.evidence import BoardTrouble, LampLook, SupplyLook
from benchcon.diagnosis.figures import figures
from benchcon.diagnosis.findings import Finding
from benchcon.diagnosis.layout import PanelIndex
from benchcon.diagnosis.one_switch import remarks
from benchcon.diagnosis.supplies import source_in_words
from benchcon.errors import Trouble
from benchcon.firmware.wiring_list import of_panel
from benchcon.panel.model import Control, Display, Panel, Part, Supply
from benchcon.text import counted, path_for_others
from benchcon.walk.journal import FinishedStep, line_of
from benchcon.walk.marks import MARKS

FORM = 1
"""Version of the report's JSON."""

VERDICTS = tuple(MARKS)
"""``possibly faulty`` means that only some of several explanations name the part."""

BESIDES = {
    "rest": "everything at rest, while nobody touches it",
    "dark": "whether all is dark when it should be",
    "matrix": "ghosts of matrix {}",
    "supply": "what supply {} feeds",
    "listen": "contacts that moved by themselves",
    "together": "everything lit at once, within the budget",
    "pair": "lamps two at a time",
    "clear": "",
}
"""For each kind of group that is not one part, what was not tested if it was skipped; empty: nothing."""


def build(panel: Panel, done: Iterable[FinishedStep], about: Mapping[str, Any]) -> dict[str, Any]:
    """Return the report as JSON values.

    `about` (when, who, boards and their firmware) is copied; the findings are worked out from the evidence in `done`.
    """
    layout = PanelIndex.of(panel)
    groups = list(done)
    about = {**about, "boards": [_board(row, groups) for row in about.get("boards", ())]}
    evidence = [each for group in groups for each in group.evidence]
    found = diagnose(panel, evidence)
    by_part = {group.group.name: group for group in groups}
    parts = _parts(layout, panel, by_part, found, _wires(panel))
    extra = [group for group in groups if group.group.kind in BESIDES]
    return {
        "walk": FORM,
        **about,
        "panel": {"title": panel.title, "path": path_for_others(panel.path), "digest": panel.digest},
        "result": "faulty" if found else "passed",
        "counts": _counts(parts),
        "findings": [finding.as_json() | {"line": finding.line()} for finding in found],
        "remarks": [remark.as_json() for remark in remarks(panel, evidence)],
        "parts": parts,
        "untested": untested(panel, parts, groups),
        "supplies": [_supply(panel, supply, by_part, found) for supply in panel.supplies],
        "steps": [{"name": g.group.name, "how": g.how, "took_us": g.took_us, "note": g.note} for g in extra],
        "evidence": [line_of(group) for group in groups],
    }


MOST = 7
"""Most findings that are shown. If there are more, they have a common cause, or one hides another."""

_CAUSES = (
    "weak supply",
    "supply lost",
    "board reset",
    "board silent",
    "port lost",
    "line damaged",
    "went dark",
    "common open",
)
"""Kinds that may cause others, in the order in which to look at them."""


def foremost(findings: Sequence[Mapping[str, Any]]) -> tuple[list[int], str]:
    """Return the numbers (from 0) of the findings to show, and a sentence about the others; empty if these are all.

    Possible causes of others come first, then certain findings, then possible ones, then what is unexplained.
    """
    numbers = list(range(len(findings)))
    if len(numbers) <= MOST:
        return numbers, ""

    def rank(number: int) -> tuple[int, int]:
        kind, either = findings[number]["kind"], findings[number].get("either")
        if kind in _CAUSES:
            return 0, _CAUSES.index(kind)
        return (3 if kind == "unexplained" else 2 if either else 1), 0

    left = counted(len(numbers) - MOST, "more finding")
    return sorted(numbers, key=rank)[:MOST], f"{left}: start here, mend these, and walk again"


def is_about_boards(report: Mapping[str, Any]) -> bool:
    """Return whether a finding names a board and no part, so that testing single parts again cannot clear it."""
    return any(not finding["parts"] for finding in report["findings"])


def counts(panel: Panel, done: Iterable[FinishedStep]) -> dict[str, int]:
    """Return how many parts have each verdict, as the report of `done` will say."""
    groups = list(done)
    found = diagnose(panel, [each for group in groups for each in group.evidence])
    by_part = {group.group.name: group for group in groups}
    return _counts(_parts(PanelIndex.of(panel), panel, by_part, found, {}))


def _counts(parts: Sequence[Mapping[str, Any]]) -> dict[str, int]:
    return {verdict: sum(part["verdict"] == verdict for part in parts) for verdict in VERDICTS}


def _parts(
    layout: PanelIndex,
    panel: Panel,
    done: Mapping[str, FinishedStep],
    found: list[Finding],
    wires: Mapping[str, list[dict[str, str]]],
) -> list[dict[str, Any]]:
    return [_part(layout, part, done.get(part.name), found, wires) for part in panel.parts]


def _wires(panel: Panel) -> dict[str, list[dict[str, str]]]:
    """Return the wires of each channel by its key, as the wiring list has them; an encoder has two."""
    out: dict[str, list[dict[str, str]]] = {}
    for each in of_panel(panel):
        for row in each.wires:
            key = f"{each.board.name}.{row.channel}"
            wire = {"channel": key, "connector": row.connector, "connector_pin": row.connector_pin}
            out.setdefault(key, []).append(wire | {"wire": row.wire, "pin": row.pin})
    return out


def _part(
    layout: PanelIndex,
    part: Part,
    done: FinishedStep | None,
    found: list[Finding],
    wires: Mapping[str, list[dict[str, str]]],
) -> dict[str, Any]:
    naming = [number for number, finding in enumerate(found) if part.name in finding.parts]
    how = done.how if done else "not asked"
    verdict = "passed" if how == "done" else how
    if naming:
        verdict = "faulty" if any(found[number].is_certain for number in naming) else "possibly faulty"
    kind = part.kind if isinstance(part, Control) else "display" if isinstance(part, Display) else "lamp"
    return {
        "name": part.name,
        "label": part.label,
        "kind": kind,
        "channels": list(layout.channels_of(part.name)),
        "wires": [wire for key in layout.channels_of(part.name) for wire in wires.get(key, ())],
        "verdict": verdict,
        "how": how,
        "findings": naming,
        "took_us": done.took_us if done else 0,
        "note": done.note if done else "",
        "figures": figures(part, done.evidence) if done else {},
    }


def _board(row: Mapping[str, Any], groups: Sequence[FinishedStep]) -> dict[str, Any]:
    """Return a board's row in the head, with what happened in the whole walk, not only since it was continued."""
    if "link" not in row:
        return dict(row)
    happened = [each for group in groups for each in group.evidence if isinstance(each, BoardTrouble)]
    mine = next((each for each in happened if each.board == row.get("name")), None)
    if mine is None:
        return dict(row)
    whole = {key: max(row["link"].get(key, 0), getattr(mine, key)) for key in _COUNTED}
    return {**row, "link": {**row["link"], **whole, "causes": list(mine.causes) or row["link"].get("causes", [])}}


_COUNTED = ("resets", "lost", "silences", "darks", "missing", "bad_here", "bad_there")


def untested(panel: Panel, parts: Sequence[Mapping[str, Any]], groups: Sequence[FinishedStep]) -> list[dict[str, str]]:
    """Return what was not tested: for each item ``what`` and ``why``, and of a part its ``name``."""
    out = []
    for row in parts:
        part = panel.part(row["name"])
        why = {
            "skipped": _skipped(row["note"]),
            "not wired": "not wired yet" if part is None or part.wired else "not wired yet, as the panel file says",
            "not asked": "not chosen for this walk",
        }
        how = row["how"]
        if how in why:
            out.append({"name": row["name"], "what": row["label"] or row["name"], "why": why[how]})
    for group in groups:
        if group.how == "skipped" and BESIDES.get(group.group.kind):
            name = group.group.name.removeprefix(f"{group.group.kind} ")
            what = BESIDES[group.group.kind].format(name)
            out.append({"name": "", "what": what, "why": _skipped(group.note)})
        elif group.group.kind == "together" and group.how == "done":
            out += _not_together(panel, group)
    return out


def _skipped(note: str) -> str:
    return f"skipped: {note}" if note else "skipped"


def _not_together(panel: Panel, group: FinishedStep) -> list[dict[str, str]]:
    """Return what was not lit together with everything else: boards left out, and what exceeds a current budget."""
    looks = [look for look in group.evidence if isinstance(look, LampLook)]
    out = [{"name": "", "what": BESIDES["together"], "why": group.note}] if group.note else []
    if len(looks) > 1:
        why = f"lit in {len(looks)} parts, because of the current budget"
        out.append({"name": "", "what": BESIDES["together"], "why": why})
    lit = {name for look in looks for name in (*look.set, *look.shows)}
    for name in group.group.parts:
        part = panel.part(name)
        if part is not None and name not in lit:
            why = "by itself it takes more than the current budget of its board"
            out.append({"name": "", "what": f"{part.label}, lit with everything else", "why": why})
    return out


def _supply(panel: Panel, supply: Supply, done: Mapping[str, FinishedStep], found: list[Finding]) -> dict[str, Any]:
    """Return the results of a supply: with it off (`source` 0), and on by each of its sources."""
    group = done.get(f"supply {supply.name}")
    looks = [each for each in group.evidence if isinstance(each, SupplyLook)] if group else []
    how = group.how if group else "not asked"
    faulty = any(finding.detail.get("supply") == supply.name for finding in found)
    return {
        "name": supply.name,
        "label": supply.label,
        "verdict": "faulty" if faulty else "passed" if how == "done" else how,
        "looks": [
            {
                "source": look.source,
                "with": source_in_words(panel, supply.sources[look.source - 1]) if look.source else "",
                "lit": len(look.shone),
                "of": len(look.set),
            }
            for look in looks
            if look.source <= len(supply.sources)
        ],
    }


def done_of(report: Mapping[str, Any]) -> list[FinishedStep]:
    """Return the finished groups in a report, to continue from. Raises `Trouble` if it is not a report."""
    from benchcon.walk.journal import resume

    return resume(_tables(report, "evidence"))


def verdicts(report: Mapping[str, Any]) -> dict[str, str]:
    """Return the verdict of each part in a report. Raises `Trouble` if it is not a report."""
    return {str(part.get("name")): str(part.get("verdict")) for part in _tables(report, "parts")}


def _tables(report: Mapping[str, Any], key: str) -> list[dict[str, Any]]:
    found = report.get(key)
    if report.get("walk") != FORM or not isinstance(found, list) or not all(isinstance(each, dict) for each in found):
        raise Trouble("this is not a report of a walk")
    return found


def changes(old: Mapping[str, Any], new: Mapping[str, Any]) -> list[str]:
    """Return the changes from one report to a later one of the same panel, one line each.

    Compared are verdicts, findings, figures (if they differ by more than a tenth), firmware and panel file, but not
    what the later walk did not ask (`not_compared`). Raises `Trouble` if one is not a report.
    """
    unasked = set(_unasked(old, new))
    before, after = ({n: v for n, v in verdicts(r).items() if n not in unasked} for r in (old, new))
    out: list[str] = []
    for key, what in (("panel", "panel file"), ("boards", "boards")):
        if _identity(old, key) != _identity(new, key):
            out.append(f"another {what}: {_identity(old, key)} before, {_identity(new, key)} now")
    for name in [*before, *(n for n in after if n not in before)]:
        was, now = before.get(name, "not there"), after.get(name, "not there")
        if was != now:
            out.append(f"{name}: {was} before, {now} now")
    lines = [
        {str(f.get("line")) for f in report.get("findings", ()) if not unasked.intersection(f.get("parts", ()))}
        for report in (old, new)
    ]
    out += [f"new: {line}" for line in sorted(lines[1] - lines[0])]
    out += [f"mended: {line}" for line in sorted(lines[0] - lines[1])]
    out += _figure_changes(old, new)
    return out


def not_compared(old: Mapping[str, Any], new: Mapping[str, Any]) -> str:
    """Return in one line how much the earlier walk asked and the later one did not; empty if nothing."""
    count = len(_unasked(old, new))
    return f"{counted(count, 'part')} not asked this time, and so not compared" if count else ""


def _unasked(old: Mapping[str, Any], new: Mapping[str, Any]) -> list[str]:
    before = verdicts(old)
    return [name for name, now in verdicts(new).items() if now == "not asked" != before.get(name, "not asked")]


def _identity(report: Mapping[str, Any], key: str) -> str:
    value = report.get(key)
    if key == "panel":
        return str(value.get("digest", ""))[:12] if isinstance(value, Mapping) else ""
    rows = value if isinstance(value, list) else []
    return ", ".join(f"{row.get('name')} {row.get('firmware')}" for row in rows if isinstance(row, Mapping))


def _figure_changes(old: Mapping[str, Any], new: Mapping[str, Any]) -> list[str]:
    tables = [
        {(p.get("name"), key): value for p in report.get("parts", ()) for key, value in p.get("figures", {}).items()}
        for report in (old, new)
    ]
    out = []
    for key in tables[0].keys() & tables[1].keys():
        was, now = tables[0][key], tables[1][key]
        if not isinstance(was, int | float) or not isinstance(now, int | float) or not abs(was) < 1e15:
            continue  # a report edited by hand may have anything here
        least = 1000 if str(key[1]).endswith("_us") else 3
        if abs(now - was) > max(least if not str(key[1]).startswith("counts_a") else 0.1, abs(was) / 10):
            out.append(f"{key[0]}: {str(key[1]).replace('_', ' ')} {was} before, {now} now")
    return sorted(out)
