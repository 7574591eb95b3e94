"""``benchcon hand``: work the controls of a simulated or emulated board from a script, and see which lamps are lit."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from benchcon.rig.hand import Hand


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.description = (
        "Work the controls of a simulated or emulated board from a script, and see which lamps are lit. "
        "Without HAND: list the running simulated boards, as NAME PORT HAND."
    )
    parser.add_argument(
        "hand",
        nargs="?",
        metavar="HAND",
        help="unix:PATH or tcp:HOST:PORT:WORD, as 'benchcon try --headless' prints it; or the name of a running board",
    )
    parser.add_argument(
        "words",
        nargs=argparse.REMAINDER,
        metavar="WORD",
        help="a request: press PART (it stays pressed until release PART), "
        "put PART POSITION (its word or number, or 50%%), turn PART DETENTS, lit, seen, shown (all, or PART…), parts, "
        "outputs, where, fault KIND CHANNEL KEY=VALUE, faults, clear, reset, unplug, replug, supply MV "
        "(protocols/hand.md)",
    )


def run(args: argparse.Namespace) -> int:
    """Send the request and print the answer. Return 0 if it was carried out, 2 if not."""
    from benchcon.errors import Trouble
    from benchcon.rig.hand import Hand
    from benchcon.rig.shining import running
    from benchcon.text import printable

    if args.hand is None:
        found = running()
        for board in found:
            print(*map(printable, board))
        if not found:
            raise Trouble(
                "no simulated board runs on this machine; 'benchcon try PANEL' and 'benchcon demo' start some"
            )
        return 0
    hand = args.hand
    if not hand.startswith(("unix:", "tcp:")):
        named = [board for board in running() if board.name == hand]
        if len(named) != 1:
            shown = printable(hand[:40])
            raise Trouble(
                f"more than one simulated board is called '{shown}'; give its HAND: "
                + " or ".join(board.control for board in named)
                if named
                else f"no simulated board '{shown}' runs on this machine; 'benchcon hand' lists the running ones"
            )
        hand = named[0].control
    if not args.words:
        raise Trouble("no request given; try: press PART, put PART 1, lit; see 'benchcon hand --help'")
    with Hand(hand) as made:
        command, *words = args.words
        outputs = _outputs(made) if command in _OF_OUTPUTS else {}
        only = words if command in _WHOLE else []
        sent = [] if command in _WHOLE else [outputs.get(word, word) for word in words]
        # The answer to a movement comes when the part is at rest, and that to `moved` when something has moved.
        answer = made.ask(*map(_written, (command, *sent)), allow_s=60.0)
    lines = _lines(command, answer)
    if command in _WITH_VALUES:
        lines = _by_name(lines, {id_: name for name, id_ in outputs.items()})
    for name in only:
        if not any(line.startswith(f"{name}=") for line in lines):
            there = ", ".join(line.partition("=")[0] for line in lines)
            raise Trouble(f"there is no lamp or display '{printable(name[:40])}' on this board; there are: {there}")
    for line in lines:
        if not only or line.partition("=")[0] in only:
            print(printable(line))
    return 0


_WHOLE = ("lit", "seen", "flashes")
"""Requests that the hand answers for all lamps or displays; the named ones are picked out here."""
_WITH_VALUES = (*_WHOLE, "shown")
"""Requests whose answers are CHANNEL=VALUE."""
_OF_OUTPUTS = (*_WITH_VALUES, "fault", "supply")


def _outputs(hand: Hand) -> dict[str, str]:
    """Return the channels of lamps and displays by their names on the panel; empty if the hand knows no names."""
    from benchcon.errors import Trouble

    try:
        answer = hand.ask("outputs")
    except Trouble:
        return {}
    return {name: what.partition(":")[2] for name, _, what in (word.partition("=") for word in answer)}


def _by_name(lines: list[str], names: dict[str, str]) -> list[str]:
    """Return lines ``CHANNEL=…`` with the panel's names in place of the channels."""
    pairs = [line.partition("=") for line in lines]
    return [f"{names.get(id_, id_)}{equals}{value}" for id_, equals, value in pairs]


def _written(word: str) -> str:
    """Return `word` as it is sent to the hand: both sides of ``key=text`` are quoted."""
    from benchcon.wire.quote import quote

    key, equals, text = word.partition("=")
    return f"{quote(key)}{equals}{quote(text)}"


def _lines(command: str, answer: list[str]) -> list[str]:
    """Return the answer with one item per line, which a script can search."""
    from benchcon.wire.quote import unquote

    if command == "faults":
        return list(filter(None, " ".join(map(unquote, answer)).split(" | ")))
    if command == "where":
        answer = answer[1:]  # the count of movements, which only programs need, to wait for the next
    if any("=" in word for word in answer):
        return list(map(unquote, answer))
    return [" ".join(map(unquote, answer))] if answer else []
