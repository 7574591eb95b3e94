"""``benchcon ports``: the serial ports of this machine, and who answers on those that may be asked."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

from benchcon.cli.port_name import port_name
from benchcon.gate import say_on_stderr

if TYPE_CHECKING:
    from benchcon.link.discovery import PortFound
    from benchcon.state import BoardState
    from benchcon.timing.links import LinkVerdict
    from benchcon.wire.records import Batch

LOOK_S = 1.0
"""How long a board that answers is pinged, one ping after the other, to test its link."""
PING_US = 1_000
ASK_MOST_S = 40.0
"""Longest wait for answers: five seconds for boot loaders, then all the usual rates."""


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.description = (
        "List serial ports and what is known about them, without opening any. Name ports (also socket://HOST:PORT) to "
        "ask who answers there and, for one second, how well. Opening a port can reset what is on it."
    )
    parser.add_argument(
        "ports", nargs="*", type=port_name, metavar="PORT", help="ask who answers on these ports, and list only them"
    )
    parser.add_argument("--ask", action="store_true", help="ask on all remembered ports")
    parser.add_argument("--forget", metavar="PORT", help="forget a port (or, by its ident, a board)")
    parser.add_argument("--json", action="store_true", help="print JSON")


def run(args: argparse.Namespace) -> int:
    """List, ask or forget. Return 0 if done, 1 if no board answered on an asked port, 2 if one could not be opened."""
    import json

    from benchcon.errors import Trouble
    from benchcon.text import printable

    if args.forget is not None:
        from benchcon.link import known_ports

        if args.ports or args.ask:
            raise Trouble("--forget cannot be combined with ports or --ask")
        if not known_ports.forget(args.forget) and not known_ports.forget(port_name(args.forget)):
            raise Trouble(f"{printable(args.forget)} is not remembered; 'benchcon ports' lists what is")
        if args.json:
            print(json.dumps({"forgotten": args.forget}))
        else:
            print(f"{printable(args.forget)}: forgotten")
        return 0

    from benchcon.link import known_ports
    from benchcon.link.discovery import find_ports, remembered_ports
    from benchcon.rig.shining import running

    try:
        known_ports.remembered()
    except Trouble as trouble:
        if args.ask:
            raise
        say_on_stderr(trouble)
    asked = list(dict.fromkeys([*args.ports, *(remembered_ports() if args.ask else [])]))
    answers = _ask(asked) if asked else {}
    found = find_ports(running())
    rows = [_row(each, answers.get(each.port)) for each in found if not args.ports or each.port in asked]
    listed = {each.port for each in found}
    rows += [{"port": printable(port)} | answers[port] for port in asked if port not in listed]
    if args.json:
        print(json.dumps(rows, indent=2))
    elif rows:
        print("\n".join(_lines(rows)))
    else:
        print("no serial ports; a board's port appears here when it is plugged in")
    outcomes = {answer["outcome"] for answer in answers.values()}
    return 2 if "refused" in outcomes else 1 if outcomes - {"answers"} else 0


def _row(found: PortFound, answer: dict[str, Any] | None) -> dict[str, Any]:
    return found._asdict() | (answer or {})


def _ask(ports: list[str]) -> dict[str, dict[str, Any]]:
    """Open `ports`, ask who is there, test the links of the boards that answer for `LOOK_S`, and return the answers.

    The keys are the given ports, the values what ``--json`` adds to their rows. Sets nothing on any board.
    """
    import threading

    from benchcon.link import Bench, PortInfo
    from benchcon.state import BenchState
    from benchcon.timing.links import LinkEvidence

    state = BenchState()
    links = LinkEvidence(state, grace_us=0, paced=False)
    looking = threading.Event()
    settled = {"live": "answers", "duplicate": "answers", "mute": "no answer", "foreign": "not the line protocol"}

    def take(batches: list[Batch]) -> None:
        for batch in batches:
            events = state.feed(batch)
            if looking.is_set():
                for event in events:
                    links.take(event)

    def outcome(info: PortInfo) -> str:
        return settled.get(info.stage, "refused" if info.stage == "waiting" and info.text else "")

    bench = Bench(ports, deadman_ms=None, listen_only=True, keep=False)
    bench.subscribe(take)
    bench.start()
    try:
        bench.wait(lambda infos: len(infos) == len(ports) and all(map(outcome, infos)), ASK_MOST_S)
        if any(outcome(info) == "answers" for info in bench.ports()):
            looking.set()
            bench.ping_each(PING_US)
            bench.wait(lambda _: False, LOOK_S)
            looking.clear()
        infos = bench.ports()
    finally:
        bench.close()
    worst = {verdict.source: verdict for verdict in reversed(links.verdicts())}
    by_port = {}
    for port, info in zip(ports, infos, strict=True):
        answer = {"outcome": outcome(info) or "no answer", "ident": info.ident, "text": info.text, "rate": info.rate}
        board = state.boards.get(info.source)
        if board is not None and answer["outcome"] == "answers":
            answer |= _described(board, worst.get(info.source))
        by_port[port] = answer
    return by_port


def _described(board: BoardState, verdict: LinkVerdict | None) -> dict[str, Any]:
    """Return what a board says of itself, and the worst fault of its link."""
    from benchcon.text import printable

    return {
        "ident": printable(board.ident),
        "name": printable(board.name),
        "firmware": printable(board.firmware),
        "channels": len(board.channels),
        "trouble": verdict.trouble if verdict is not None else "",
        "link": verdict.sentence if verdict is not None else "",
    }


def _lines(rows: list[dict[str, Any]]) -> list[str]:
    """Return one line per port (its name, what it is, what is known or was answered), and below it its link's fault."""
    import textwrap

    table = []
    for row in rows:
        what = " ".join(each for each in (row.get("maker", ""), row.get("what", "")) if each)
        usb = row.get("usb", "")
        table.append((row["port"], f"{what} {usb}".strip(), _known(row)))
    widths = [max(len(cells[column]) for cells in table) for column in (0, 1)]
    lines = []
    for (port, what, known), row in zip(table, rows, strict=True):
        lines.append(f"{port:<{widths[0]}}  {what:<{widths[1]}}  {known}".rstrip())
        if row.get("link"):
            lines += textwrap.wrap(str(row["link"]), 100, initial_indent="    ", subsequent_indent="    ")
    return lines


def _known(row: dict[str, Any]) -> str:
    outcome = row.get("outcome")
    if outcome == "answers":
        name = f" “{row['name']}”" if row.get("name") else ""
        text = f"; {row['text']}" if row["text"] else ""
        return f"{row['ident']}{name}, {row['channels']} channels, {row['rate'] or 'network'}{text}"
    if outcome:
        # The link's text begins with the port, which the line shows already.
        return str(row["text"] or outcome).removeprefix(row["port"]).lstrip(": ")
    if row.get("in_use"):
        return f"in use ({row['in_use']})"
    if row.get("remembered"):
        return f"remembered; '{row['ident']}' answered there last"
    if row.get("place", "").startswith("hand "):
        return str(row["place"])
    return "never opened: name it to ask who is there"
