"""``benchcon compare``: two captures, channel by channel."""

from __future__ import annotations

import argparse

from benchcon.cli.options import ignore_option


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.add_argument("a", metavar="A", help="capture of how it was or should be")
    parser.add_argument("b", metavar="B", help="capture of how it is")
    parser.add_argument("--tolerance", metavar="TIME", help="how far times may differ (100 ms)")
    parser.add_argument("--counts", metavar="N", type=int, help="how far readings of potentiometers may differ (4)")
    ignore_option(parser)
    parser.add_argument(
        "--offset", metavar="TIME", help="how much later B is, such as '2 s' or '-150 ms' (found by comparing)"
    )
    parser.add_argument("--json", action="store_true", help="print the comparison as JSON")
    parser.add_argument("--html", metavar="FILE", help="write both time lines, with the differences marked")
    parser.add_argument("--force", action="store_true", help="overwrite FILE")


def run(args: argparse.Namespace) -> int:
    """Compare. Return 0 if they are the same, 1 if they differ, 2 if it could not be done."""
    import json

    from benchcon.files import may_write, new_file
    from benchcon.replay.compare import COUNTS, TOLERANCE_US, compare
    from benchcon.replay.compare_html import as_html
    from benchcon.replay.compare_text import as_json, as_text
    from benchcon.replay.tracks import tracks_of
    from benchcon.replay.words import option_time

    tolerance_us = TOLERANCE_US
    if args.tolerance is not None:
        tolerance_us = option_time("--tolerance", args.tolerance, example="150 ms")
    offset_us = None if args.offset is None else option_time("--offset", args.offset, signed=True)
    may_write(args.html, force=args.force)
    comparison = compare(
        tracks_of(args.a),
        tracks_of(args.b),
        tolerance_us=tolerance_us,
        counts=COUNTS if args.counts is None else max(args.counts, 0),
        ignore=args.ignore,
        offset_us=offset_us,
    )
    if args.html:
        with new_file(args.html, force=args.force) as out:
            out.write(as_html(comparison))
    print(json.dumps(as_json(comparison), indent=2) if args.json else as_text(comparison))
    return 1 if comparison.count else 0
