"""``benchcon check``: what is wrong in panel files, faults files, behaviour files with their rules, and captures."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

from benchcon.durations import seconds_text
from benchcon.gate import say_on_stderr

if TYPE_CHECKING:
    from benchcon.panel.model import Panel
    from benchcon.panel.reader import PanelRemark

    Checked = tuple[list[PanelRemark], str]
    """The findings, and a summary for people: what the file holds and which command to use it with."""


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.add_argument(
        "files",
        nargs="+",
        metavar="FILE",
        help="panel, faults, behaviour or rules file, scenario or capture, recognised by its content; no rule is run",
    )
    parser.add_argument(
        "--panel",
        metavar="FILE",
        help="panel file that the other files are checked against (the one that they name, or the demo's)",
    )
    parser.add_argument("--json", action="store_true", help="print the results as JSON")


def run(args: argparse.Namespace) -> int:
    """Check the files. Return 0 if all are good (advice apart), 1 if one has an error, 2 if one cannot be read."""
    import json

    from benchcon.errors import Trouble
    from benchcon.panel.file import LARGEST, load, slurp
    from benchcon.text import printable

    kinds: dict[str, str] = {}
    heads: dict[str, bytes] = {}
    unreadable: dict[str, str] = {}
    for path in dict.fromkeys(args.files):
        try:
            # Read once: a pipe gives what it holds only once.
            heads[path] = slurp(path, LARGEST + 1, whole=False)
            kinds[path] = _kind(path, heads[path])
        except Trouble as trouble:
            unreadable[path] = str(trouble)
    found: dict[str, list[PanelRemark]] = {}
    summaries: dict[str, str] = {}
    panels: list[Panel] = [load(args.panel)] if args.panel else []
    # Panels first: faults can be checked against the one panel named with them, without --panel.
    for path in sorted(kinds, key=lambda each: kinds[each] != "panel file"):
        try:
            beside = panels[:1] if args.panel or len(panels) == 1 else []
            found[path], summaries[path] = _check(path, heads[path], kinds[path], panels, beside)
        except Trouble as trouble:
            unreadable[path] = str(trouble)
    results: list[dict[str, Any]] = []
    for path in dict.fromkeys(args.files):
        if path in unreadable:
            results.append({"file": path, "error": unreadable[path]})
            say_on_stderr(unreadable[path])
            continue
        good = not any(finding.grave for finding in found[path])
        results.append({"file": path, "kind": kinds[path], "good": good, "findings": [_json(f) for f in found[path]]})
        if not args.json:
            for finding in found[path]:
                print(finding)
            if good:
                print(f"{printable(path)}: a good {kinds[path]}: {summaries[path]}")
    if args.json:
        print(json.dumps(results, indent=2))
    if unreadable:
        return 2
    return 0 if all(result["good"] for result in results) else 1


def _kind(path: str, head: bytes) -> str:
    from benchcon.capture.form import ENDINGS, MAGIC, PACKED_MAGIC

    # By its name, too: an empty or damaged capture is not a panel file.
    if path.endswith(ENDINGS) or head.startswith((MAGIC.encode(), PACKED_MAGIC)):
        return "capture"
    from benchcon.rehearse import behaviour, rules_file, scenario
    from benchcon.rig import faults_file

    text = head.decode("utf-8", "replace")
    if rules_file.looks_like_one(path):
        return rules_file.KIND
    if scenario.looks_like_one(text):
        return scenario.KIND
    if behaviour.looks_like_one(text):
        return behaviour.KIND
    return "faults file" if faults_file.looks_like_one(text) else "panel file"


def _check(path: str, raw: bytes, kind: str, panels: list[Panel], beside: list[Panel]) -> Checked:
    if kind == "capture":
        return _capture(path)
    if kind == "faults file":
        return _faults(path, raw, beside[0] if beside else None)
    if kind in ("behaviour file", "rules file", "scenario"):
        from benchcon.rehearse.checking import CHECKS

        found, summary = CHECKS[kind](path, raw, beside[0] if beside else None)
        return found, f"{summary}; next: {_command('rehearse {}', path)}" if kind == "scenario" else summary
    return _panel(path, raw, panels)


def _panel(path: str, raw: bytes, panels: list[Panel]) -> Checked:
    from benchcon.panel.file import inspect
    from benchcon.panel.reader import in_order
    from benchcon.panel.summary import size_of

    panel, findings = inspect(raw, path)
    refused: list[str] = []
    if panel is not None and panel.triggers:
        from benchcon.watch.triggers import inspect_triggers

        findings = [*findings, *inspect_triggers(panel)[1]]
    if panel is not None and not any(finding.grave for finding in findings):
        from benchcon.drawing.fits import inspect_fits
        from benchcon.firmware.buildable import inspect_boards

        panels.append(panel)
        advice, refused = inspect_boards(panel)
        findings = [*findings, *inspect_fits(panel), *advice]
    findings = in_order(findings)
    if panel is None:
        return findings, ""
    # A file without parts cannot be tried yet: drafting its parts comes next.
    use = "try {}" if panel.parts else "draft PORT"
    not_yet = f"; firmware cannot be built for {' and '.join(refused)} as it stands" if refused else ""
    return findings, f"{size_of(panel)}{not_yet}; next: {_command(use, path)}"


def _faults(path: str, raw: bytes, panel: Panel | None) -> Checked:
    from benchcon.demo import panel_path
    from benchcon.errors import Trouble
    from benchcon.panel.file import load
    from benchcon.panel.reader import as_finding
    from benchcon.rig.faults_file import loads
    from benchcon.text import counted, printable

    try:
        read = loads(raw, path, panel)
    except Trouble as trouble:
        return [as_finding(path, str(trouble))], ""
    summary = counted(len(read.faults), "fault")
    try:
        loads(raw, path, load(panel_path()))
    except Trouble as trouble:
        if panel is not None:
            return [], f"{summary}, and {printable(panel.path)} has their boards and channels"
        at = as_finding(path, str(trouble))
        advice = at._replace(text=f"the demo's panel does not fit: {at.text}", grave=False)
        return [advice], f"{summary}; boards and channels were not checked: name their panel file with --panel FILE"
    return [], f"{summary}; next: {_command('demo --faults {}', path)}"


def _capture(path: str) -> Checked:
    from benchcon.capture.missing import Missing
    from benchcon.errors import Trouble
    from benchcon.panel.reader import PanelRemark, as_finding
    from benchcon.state_reader import StateReader
    from benchcon.text import counted, printable
    from benchcon.wire.records import KEYFRAME

    try:
        reader = StateReader(path)
    except Trouble as trouble:
        return [as_finding(path, str(trouble))], ""
    with reader:
        keyframes, missing = 0, Missing()
        for block in reader.blocks():
            for batch in block:
                keyframes += batch.kind == KEYFRAME
                missing.feed(batch)
        # Counted as `record` counts: the records that arrived, and separately the keyframes added by the recorder.
        summary = f"{counted(reader.records - keyframes, 'record')} and {counted(keyframes, 'keyframe')}"
        summary += f", {seconds_text(reader.last_us - reader.first_us)}"
        found = [PanelRemark(printable(path), problem.line or 0, problem.text) for problem in reader.problems]
        more = sum(reader.problem_counts.values()) - len(found)
        if more > 0:
            found.append(PanelRemark(printable(path), 0, f"and {more} more such places"))
        if lost := missing.words():
            # The file itself is intact; the recording in it is incomplete.
            found.append(PanelRemark(printable(path), 0, f"{lost}, according to the capture itself", grave=False))
            summary += f", incomplete: {lost}"
        return found, f"{summary}; next: {_command('replay {}', path)}"


def _command(words: str, path: str) -> str:
    """Return a command that can be typed as shown, except for PORT."""
    from benchcon.text import as_typed

    return f"benchcon {words.format(as_typed(path))}"


def _json(finding: PanelRemark) -> dict[str, Any]:
    return {"line": finding.line or None, "text": finding.text, "advice": not finding.grave}
