"""``benchcon sheet``: a drawing at 1 : 1 for drilling, cutting and engraving a panel's plate."""

from __future__ import annotations

import argparse

from benchcon.text import near

PAPERS = ("a4", "letter", "whole")


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.description = (
        "Draw the panel at 1 : 1: front and mirrored back, holes with crosses and dimensions, a table of holes, "
        "labels, and 100 mm bars for checking the printer. See protocols/panel-file.md, section 12."
    )
    parser.add_argument("panel", metavar="PANEL", help="panel file")
    parser.add_argument(
        "-o", dest="out", metavar="FILE", required=True, help="file to write: .svg, .pdf or .dxf, by its ending"
    )
    parser.add_argument(
        "--paper",
        choices=PAPERS,
        default="a4",
        help="for a PDF: split into sheets of this size with marks for joining them, or whole (a4)",
    )
    parser.add_argument(
        "--only",
        metavar="LAYER",
        nargs="+",
        default=[],
        help="draw only these layers, such as: --only plate labels (for an overlay or engraving)",
    )
    parser.add_argument(
        "--side",
        choices=("front", "back", "both"),
        default="",
        help="draw this side (both; only the front in a .dxf, and where --only names no layer of the back)",
    )
    parser.add_argument(
        "--picture", action="store_true", help="write a picture of the panel from the front instead (.svg)"
    )
    parser.add_argument("--force", action="store_true", help="overwrite FILE")


def run(args: argparse.Namespace) -> int:
    """Draw. Return 0 if done, 2 if not. Parts that do not fit on the plate are reported, and drawn all the same."""
    import sys

    from benchcon.cli.options import ending_of
    from benchcon.drawing import files
    from benchcon.drawing.fits import inspect_fits
    from benchcon.drawing.sheet import LAYERS
    from benchcon.errors import Trouble
    from benchcon.files import may_write, write_whole
    from benchcon.panel.file import load
    from benchcon.text import printable

    shown = printable(args.out)
    make = files.FORMS[ending_of(args.out, tuple(files.FORMS))]
    for layer in args.only:
        if layer not in LAYERS:
            hint = near(layer, LAYERS, "'")
            raise Trouble(f"there is no layer '{printable(layer[:40])}' (there are {', '.join(LAYERS)}){hint}")
    may_write(args.out, force=args.force)
    panel = load(args.panel, currents=False)
    if not any(part.place for part in panel.parts):
        raise Trouble(f'{printable(args.panel)} does not say where any part sits (at = ["60 mm", "100 mm"])')
    if args.picture:
        if make is not files.as_svg:
            raise Trouble(f"{shown}: a picture is an .svg")
        make = files.as_picture
    drawn = make(panel, args.paper, frozenset(args.only), args.side)
    write_whole(args.out, drawn.data, force=args.force)
    for finding in inspect_fits(panel):
        print(finding, file=sys.stderr)
    print(f"{shown}: {drawn.about}")
    return 0
