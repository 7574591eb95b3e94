"""``benchcon export``: writes a capture in a format for other programs."""

from __future__ import annotations

import argparse

from benchcon.gate import say_on_stderr


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.description = (
        "Write a capture as value change dump, CSV or JSON lines: one entry for each change of a channel. "
        "Besides its channels each board has (dark), which is 1 while all its outputs are off, and counts of "
        "its (resets) and of the requests that it has (refused)."
    )
    parser.add_argument("file", metavar="FILE", help="capture to export")
    parser.add_argument(
        "-o",
        "--output",
        required=True,
        metavar="OUT",
        help="file to write: .vcd (waveforms, IEEE 1364), .csv or .jsonl, by its ending",
    )
    parser.add_argument("--force", action="store_true", help="overwrite OUT")


def run(args: argparse.Namespace) -> int:
    """Export. Return 0 if done, 2 if not."""

    from benchcon.files import new_file
    from benchcon.replay.exports import export, form_of

    form = form_of(args.output)
    with new_file(args.output, force=args.force) as out:
        problems = export(args.file, out, form)
    for problem in problems:
        say_on_stderr(problem)
    return 0
