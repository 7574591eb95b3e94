"""``benchcon timing``: measures transport delays, contacts and links in captures."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from benchcon.gate import say_on_stderr

if TYPE_CHECKING:
    from collections.abc import Sequence

    from benchcon.replay.timed import Timed


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.description = (
        "Measure transport delays in captures: from the movement of a control to the output that answers it, by the "
        "boards' own clocks. The panel file says which output answers which control, and within what time (keys "
        "'answers' and 'within'). Where it names none, pairs are proposed from what was seen. The exit code is 1 if "
        "a limit is exceeded.\n\n"
        "If raw was on for contacts, encoders or potentiometers (e in the raw view of the console), it also reports "
        "how they bounce, count and read, and which debounce time to set. If something is wrong with a link, it says "
        "what, and what to do first."
    )
    parser.add_argument("files", nargs="+", metavar="FILE", help="captures to measure")
    parser.add_argument("--panel", metavar="FILE", help="panel file of the boards; else the one in the capture")
    parser.add_argument("--json", action="store_true", help="print all figures as JSON")
    parser.add_argument("--html", metavar="FILE", help="write a page with histograms")
    parser.add_argument("--junit", metavar="FILE", help="write JUnit XML, a case for each pair")
    parser.add_argument("--force", action="store_true", help="overwrite existing files")


def run(args: argparse.Namespace) -> int:
    """Measure. Return 0 if no limit is exceeded, 1 if one is, 2 if nothing could be measured."""
    from benchcon.files import may_write
    from benchcon.panel.file import load
    from benchcon.replay.timed import timed

    panel = load(args.panel) if args.panel else None
    for path in (args.html, args.junit):
        may_write(path, force=args.force)
    found = [timed(path, panel) for path in args.files]
    _write(args, found)
    for one in found:
        for problem in one.problems:
            say_on_stderr(problem)
        if one.virtual:
            say_on_stderr(one.virtual)
    if args.json:
        print(_as_json(found))
    elif texts := [_as_text(one) for one in found if not one.virtual]:
        print("\n\n".join(texts))
    if any(one.broken for one in found):
        return 1
    limited = [each for one in found for each in one.delays if each.limit_us]
    if limited and all(each.verdict == "not moved" for each in limited):
        say_on_stderr("no limit was tried: none of the controls with one was moved")
        return 2
    return 2 if any(one.virtual for one in found) else 0


def _write(args: argparse.Namespace, found: Sequence[Timed]) -> None:
    """Write the files that were asked for."""
    from benchcon.files import new_file

    if args.html:
        from benchcon.replay.timed_html import as_html

        with new_file(args.html, force=args.force) as out:
            out.write(as_html(found))
    if args.junit:
        from benchcon.replay.junit import as_junit
        from benchcon.replay.verdict import timing_verdict

        with new_file(args.junit, force=args.force) as out:
            out.write(as_junit([(one.path, timing_verdict(one)) for one in found]))


def _as_json(found: Sequence[Timed]) -> str:
    import json

    from benchcon.timing import contacts, delay_words, links

    reports = [
        {
            "file": one.path,
            "seconds": one.seconds,
            "virtual": bool(one.virtual),
            "delays": [delay_words.as_json(each) for each in one.delays],
            "contacts": [contacts.as_json(each) for each in one.contacts],
            "links": [links.as_json(each, one.timing.state) for each in one.links],
        }
        for one in found
    ]
    return json.dumps(reports, indent=2)


def _as_text(one: Timed) -> str:
    from benchcon.timing import contacts, delay_words, links

    parts = [f"{one.path}: {one.seconds:.1f} s"]
    if one.links:
        parts.append(f"links\n{links.as_text(one.links, one.timing.state)}")
    if one.contacts:
        parts.append(f"contacts, from raw edges and readings\n{contacts.as_text(one.contacts)}")
    if one.delays or not (one.contacts or one.links):
        parts.append(delay_words.as_text(one.delays))
    return "\n\n".join(parts)
