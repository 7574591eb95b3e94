"""``benchcon draft``: a first panel file from what boards report about themselves, or from a few questions."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from benchcon.cli.bench import READY_S
from benchcon.cli.options import seconds
from benchcon.cli.port_name import port_name

if TYPE_CHECKING:
    from collections.abc import Sequence

    from benchcon.link import PortInfo
    from benchcon.panel.draft import Said


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.add_argument(
        "ports",
        nargs="*",
        type=port_name,
        metavar="PORT",
        help="serial port, or socket://host:port; without one, the file is made from a few questions",
    )
    parser.add_argument("-o", dest="out", metavar="FILE", help="where to write it (standard output)")
    parser.add_argument("--force", action="store_true", help="overwrite FILE")
    parser.add_argument(
        "--seconds", type=seconds, default=READY_S, metavar="N", help="how long the boards may take to answer (15)"
    )


def run(args: argparse.Namespace) -> int:
    """Ask the boards and write the file. Return 0 if done, 2 if a port or the file could not be used."""
    import sys

    from benchcon.errors import Trouble
    from benchcon.files import may_write, write_whole
    from benchcon.panel.draft import draft

    may_write(args.out, force=args.force)
    if args.seconds > 600:
        raise Trouble(f"--seconds is {args.seconds:g}; at most 600 is allowed")
    if not args.ports:
        if not args.out:
            raise Trouble("name a PORT to ask its board, or a file to write from a few questions: -o FILE")
        from benchcon.cli.questions import first_panel

        write_whole(args.out, first_panel().encode(), force=args.force)
        print(_next(args.out))
        return 0
    try:
        text = draft(ask(args.ports, args.seconds))
    except Trouble as trouble:
        hint = "; try another cable or port: 'benchcon ports' lists them" if "no answer" in str(trouble) else ""
        raise Trouble(f"{trouble} (nothing was written{hint})") from None
    if args.out:
        write_whole(args.out, text.encode(), force=args.force)
        print(_written_text(args.out, text))
    else:
        sys.stdout.write(text)
        sys.stdout.flush()
    return 0


def _next(out: str) -> str:
    """Return one line that says what the file made from questions holds and how to go on."""
    from benchcon.panel.file import load
    from benchcon.panel.summary import size_of
    from benchcon.text import as_typed, printable

    what = f"{printable(out)}: written: {size_of(load(out))}"
    return f"{what}. Next: benchcon try {as_typed(out)}, then edit it as you like"


def _written_text(out: str, text: str) -> str:
    """Return one line that says what the file made from boards holds and what is left to fill in."""
    from benchcon.panel.file import loads
    from benchcon.panel.summary import size_of, unknown_pins
    from benchcon.text import as_typed, printable

    panel = loads(text, out)
    without = unknown_pins(panel)
    shown = ", ".join(without[:3]) + (", …" if len(without) > 3 else "")
    pins = f", the pins that no board reported ({len(without)}: {shown})" if without else ""
    return (
        f"{printable(out)}: written: {size_of(panel)}. Pins are what the boards reported, places and currents are "
        f"guesses. Left to fill in: where each part sits, which contacts are switches, lamp currents, connectors and "
        f"wires{pins}. Next: edit it, then benchcon check {as_typed(out)}"
    )


def _differ(before: list[PortInfo], now: list[PortInfo]) -> bool:
    return before != now


def ask(ports: Sequence[str], seconds: float) -> list[Said]:
    """Open `ports`, wait until each board has described itself completely, and return the descriptions in that order.

    Raises `Trouble` if a port cannot be opened or its board does not answer within `seconds`. The boards are only
    asked; nothing on them is switched.
    """
    import functools
    import time

    from benchcon.cli.descriptions import Descriptions
    from benchcon.errors import Trouble
    from benchcon.link import Bench
    from benchcon.text import about, printable

    heard = Descriptions()
    ports = list(dict.fromkeys(ports))
    bench = Bench(ports, deadman_ms=None, listen_only=True)
    bench.subscribe(heard.take)
    with bench:
        deadline = time.monotonic() + seconds
        while True:
            infos = bench.ports()
            source = {info.port: info.source for info in infos}
            failed = {info.port: info.text for info in infos if info.failed}
            found = [heard.whole(port, source.get(port, 0)) for port in ports]
            late = time.monotonic() >= deadline
            for port, each in zip(ports, found, strict=True):
                if each is None and (late or port in failed):
                    why = failed.get(port) or _nothing_from(heard.spoke(source.get(port, 0)), seconds)
                    raise Trouble(about(printable(port), why))
            whole = [each for each in found if each is not None]
            if len(whole) == len(ports):
                return whole
            bench.wait(functools.partial(_differ, infos), 0.1)


def _nothing_from(spoke: bool, seconds: float) -> str:
    what = "a board spoke, but did not describe itself completely" if spoke else "nobody answered"
    return f"{what} within {seconds:g} s; is that the right port? 'benchcon ports' lists them"
