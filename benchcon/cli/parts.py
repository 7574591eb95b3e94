"""``benchcon parts``: the list of what to buy for a panel."""

from __future__ import annotations

import argparse


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.add_argument("panel", metavar="PANEL", help="panel file")
    parser.add_argument("-o", dest="out", metavar="FILE", help="where to write it: .md or .csv (standard output, .md)")
    parser.add_argument("--force", action="store_true", help="overwrite FILE")


def run(args: argparse.Namespace) -> int:
    """Write the list. Return 0 if done, 2 if not."""
    import sys

    from benchcon.cli.options import ending_of
    from benchcon.files import write_whole
    from benchcon.firmware.shopping import as_csv, as_markdown, shopping
    from benchcon.panel.file import load
    from benchcon.text import counted, printable

    end = ending_of(args.out, (".md", ".csv")) if args.out else ".md"
    panel = load(args.panel, currents=False)
    items = shopping(panel)
    text = as_csv(items) if end == ".csv" else as_markdown(items, panel.title)
    if args.out:
        write_whole(args.out, text.encode(), force=args.force)
        pieces = counted(sum(item.number for item in items), "item")
        print(f"{printable(args.out)}: {pieces} of {counted(len(items), 'kind')}")
    else:
        sys.stdout.write(text)
        sys.stdout.flush()
    return 0
