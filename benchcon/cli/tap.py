"""``benchcon tap``: between a board and the program that drives it, passing every byte on, and recording."""

from __future__ import annotations

import argparse

from benchcon.cli.port_name import port_name

SETTLE_US = 500_000
"""Records are put in order and written so long after they happened: relays tell a little later, each in its time."""
LOOPBACK = ("127.0.0.1", "::1", "localhost")


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.description = (
        "Stand between boards and the program that normally drives them. The first lines on standard output are the\n"
        "ports for that program to open, one for each PORT, in order: pseudo-terminals, or TCP ports with --tcp or\n"
        "--rfc2217.\n"
        "Every byte goes on as it comes, both ways; the rate that the program sets is set on PORT.\n"
        "Nothing is ever sent that the program did not send. Ctrl-C ends it."
    )
    parser.add_argument(
        "ports",
        nargs="+",
        type=port_name,
        metavar="PORT",
        help="the board's port, or socket://HOST:PORT; several into one capture",
    )
    parser.add_argument("-o", "--output", metavar="FILE", help="record into this capture")
    parser.add_argument("--panel", metavar="FILE", help="panel file to put into the capture")
    parser.add_argument("--rate", metavar="BAUD", type=int, default=115200, help="rate until the program sets one")
    parser.add_argument("--tcp", action="store_true", help="offer a TCP port of this machine (socket://)")
    parser.add_argument("--rfc2217", action="store_true", help="the same, passing rates and line signals on (RFC 2217)")
    parser.add_argument(
        "--listen",
        metavar="HOST:PORT",
        help="where --tcp or --rfc2217 listens (127.0.0.1 and any free port). Any other address lets others in",
    )
    parser.add_argument("--seconds", metavar="N", help="end by itself")
    parser.add_argument("--force", action="store_true", help="FILE may be there already: the old one gets a number")


def run(args: argparse.Namespace) -> int:
    """Tap: 0 ended by Ctrl-C or by its time, 1 bytes are missing in the capture, 2 it could not be done."""
    import select
    import sys
    from datetime import UTC, datetime

    from benchcon.errors import Trouble

    if sys.platform == "win32":
        raise Trouble("benchcon tap needs a system with pseudo-terminals and poll, such as Linux or macOS")

    from benchcon import __version__
    from benchcon.capture import Writer
    from benchcon.cli.record import _seconds
    from benchcon.cli.until import Until
    from benchcon.link.relay import now_us
    from benchcon.link.tap import Order, Tap
    from benchcon.panel.file import load
    from benchcon.panel.model import Panel
    from benchcon.panel.summary import counted
    from benchcon.replay.output import may_write
    from benchcon.state import BenchState
    from benchcon.text import printable
    from benchcon.wire.records import Batch

    if args.listen and not (args.tcp or args.rfc2217):
        raise Trouble("--listen goes with --tcp or --rfc2217: a pseudo-terminal has no address")
    if args.panel and not args.output:
        raise Trouble("--panel goes into a capture: name one with -o")
    listen = _address(args.listen) if args.tcp or args.rfc2217 else None
    panel = load(args.panel) if args.panel else Panel()
    if args.output and not args.force:
        may_write(args.output)
    if listen is not None and listen[0] not in LOOPBACK:
        _say(
            f"warning: whoever reaches {printable(listen[0])} can drive this board: there is no password. Lamps and "
            "motors will do what they say"
        )
    state = BenchState(panel.text, panel.digest)
    first = state.keyframe()
    early: list[Batch] = []
    writer: list[Writer] = []

    order = Order()
    began, zero_us = datetime.now(UTC), now_us()

    def write(batches: list[Batch]) -> None:
        for batch in batches:
            state.feed(batch)
        if writer:
            writer[0].write(batches)
        else:
            early.extend(batches)

    taps: list[Tap] = []
    with Until(_seconds(args)) as until:
        try:
            for number, port in enumerate(args.ports, 1):
                if listen is not None and listen[1] and number > 1:
                    listen = listen[0], listen[1] + 1
                taps.append(
                    Tap(
                        port,
                        order.take if args.output else None,
                        listen=listen,
                        rfc2217=args.rfc2217,
                        rate=args.rate,
                        source=number,
                        zero_us=zero_us,
                    )
                )
            if args.output:
                keyframes = iter([first])
                writer.append(
                    Writer(
                        args.output,
                        began,
                        lambda: next(keyframes, None) or state.keyframe(),
                        force=args.force,
                        words={"program": f"benchcon {__version__}"},
                    )
                )
                writer[0].write(early)
            for tap in taps:
                print(tap.name, flush=True)
            while not until.wait(0):
                for tap in select.select(taps, [], [], 0.1)[0]:
                    if not tap.turn(0):
                        raise Trouble(f"{printable(tap.port)}: the relay has ended; start the tap again")
                for tap in taps:
                    for line in tap.said:
                        _say(line)
                    tap.said.clear()
                write(order.until(now_us() - zero_us - SETTLE_US))
        finally:
            for tap in taps:
                tap.close()
            write(order.until(None))
            figures = None
            if writer:
                writer[0].stop()
                figures = writer[0].close()
    if figures is None:
        return 0
    if figures.trouble:
        _say(figures.trouble)
    _say(f"{counted(figures.records, 'record')} in {printable(figures.path)}")
    missing, untold = figures.missed + figures.waiting, sum(tap.missed for tap in taps)
    if missing or untold:
        what = counted(missing, "record") if missing else counted(untold, "byte")
        _say(f"{what} passed on and MISSING in the capture")
    for tap in taps:
        if tap.up.speaks is False and tap.up.bytes:
            _say(f"what {printable(tap.port)} says is not the line protocol: it is kept as bytes with their times")
    return 1 if missing or untold or figures.trouble else 0


def _address(text: str | None) -> tuple[str, int]:
    from benchcon.errors import Trouble
    from benchcon.text import printable

    if text is None:
        return "127.0.0.1", 0
    host, colon, number = text.rpartition(":")
    if not colon or not number.isdecimal() or int(number) > 65535:
        raise Trouble(f"--listen: '{printable(text)}' is no address; write HOST:PORT, such as 127.0.0.1:4000")
    return host.strip("[]"), int(number)


def _say(line: str) -> None:
    import sys

    print(f"benchcon: {line}", file=sys.stderr, flush=True)
