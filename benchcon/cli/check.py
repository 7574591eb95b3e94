"""``benchcon check``: what is wrong in panel files, fault files and captures."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from benchcon.panel.model import Panel
    from benchcon.panel.reader import Finding


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.add_argument(
        "files", nargs="+", metavar="FILE", help="panel file, fault file or capture, told by its content"
    )
    parser.add_argument("--json", action="store_true", help="print what was found as JSON")


def run(args: argparse.Namespace) -> int:
    """Check the files: 0 all good (advice may be given), 1 something is wrong in one, 2 one cannot be read."""
    import json
    import sys

    from benchcon.errors import Trouble
    from benchcon.wire.printable import printable

    kinds: dict[str, str] = {}
    unreadable: dict[str, str] = {}
    for path in dict.fromkeys(args.files):
        try:
            kinds[path] = _kind(path)
        except Trouble as trouble:
            unreadable[path] = str(trouble)
    found: dict[str, list[Finding]] = {}
    panels: list[Panel] = []
    # Panels first: faults can be checked against the one panel that stands beside them.
    for path in sorted(kinds, key=lambda each: kinds[each] != "panel file"):
        try:
            found[path] = _check(path, kinds[path], panels)
        except Trouble as trouble:
            unreadable[path] = str(trouble)
    results: list[dict[str, Any]] = []
    for path in dict.fromkeys(args.files):
        if path in unreadable:
            results.append({"file": path, "error": unreadable[path]})
            print(f"benchcon: {unreadable[path]}", file=sys.stderr)
            continue
        good = not any(finding.grave for finding in found[path])
        results.append({"file": path, "kind": kinds[path], "good": good, "findings": [_json(f) for f in found[path]]})
        if not args.json:
            for finding in found[path]:
                print(finding)
            if good and sys.stderr.isatty():
                print(f"{printable(path)}: a good {kinds[path]}", file=sys.stderr)
    if args.json:
        print(json.dumps(results, indent=2))
    if unreadable:
        return 2
    return 0 if all(result["good"] for result in results) else 1


def _kind(path: str) -> str:
    from benchcon.panel.file import slurp

    head = slurp(path, whole=False)
    if head.startswith((b"benchcon capture", b"\x1f\x8b")):
        return "capture"
    from benchcon.simboard.fault_file import looks_like_one

    return "fault file" if looks_like_one(head.decode("utf-8", "replace")) else "panel file"


def _check(path: str, kind: str, panels: list[Panel]) -> list[Finding]:
    if kind == "capture":
        return _capture(path)
    if kind == "fault file":
        return _faults(path, panels[0] if len(panels) == 1 else None)
    return _panel(path, panels)


def _panel(path: str, panels: list[Panel]) -> list[Finding]:
    from benchcon.panel.file import LARGEST, inspect, slurp

    panel, findings = inspect(slurp(path, LARGEST + 1, whole=False), path)
    if panel is not None and panel.triggers:
        from benchcon.watch.triggers import inspect_triggers

        findings = sorted([*findings, *inspect_triggers(panel)[1]], key=lambda finding: finding.line)
    if panel is not None and not any(finding.grave for finding in findings):
        panels.append(panel)
    return findings


def _faults(path: str, panel: Panel | None) -> list[Finding]:
    from benchcon.errors import Trouble
    from benchcon.panel.file import slurp
    from benchcon.panel.reader import as_finding
    from benchcon.simboard.fault_file import LARGEST, loads

    raw = slurp(path, LARGEST)
    try:
        loads(raw, path, panel)
    except Trouble as trouble:
        return [as_finding(path, str(trouble))]
    return []


def _capture(path: str) -> list[Finding]:
    from benchcon.capture.reader import Reader
    from benchcon.errors import Trouble
    from benchcon.panel.reader import Finding, as_finding
    from benchcon.wire.printable import printable

    try:
        reader = Reader(path)
    except Trouble as trouble:
        return [as_finding(path, str(trouble))]
    with reader:
        for _ in reader.blocks():
            pass
        found = [Finding(printable(path), problem.line or 0, problem.text) for problem in reader.problems]
        more = sum(reader.problem_counts.values()) - len(found)
        return [*found, Finding(printable(path), 0, f"and {more} more such places")] if more > 0 else found


def _json(finding: Finding) -> dict[str, Any]:
    return {"line": finding.line or None, "text": finding.text, "advice": not finding.grave}
