"""What is really lit on simulated boards, to be read in another terminal, since the console shows what boards report.

A dead lamp, or two that light together, cannot be seen on the console's face. A user who tries out faults looks here
instead, as at a real panel.
"""

from __future__ import annotations

import contextlib
import sys
import tempfile
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

from benchcon.errors import Trouble
from benchcon.gate import own_codes, reader_left
from benchcon.panel.model import Panel
from benchcon.panel.segments import decode
from benchcon.rig.boards import SimulatedBoard
from benchcon.rig.hand import Hand
from benchcon.rig.ports import FOLDER
from benchcon.text import printable

ANSWER_S = 1.0
LOOK_S = 0.15
BARELY = 20
"""Lightness in permille below which a lamp counts as dark."""
DIM = 0.6
"""Share of full lightness below which a lamp counts as dim."""


def controls() -> list[str]:
    """Return the HAND words of the simulated boards that run on this machine, from their folders."""
    folders = Path(tempfile.gettempdir()).glob(f"{FOLDER}*")
    return [f"unix:{door}" for folder in sorted(folders) for door in sorted(folder.glob("*.hand"))]


def running() -> list[SimulatedBoard]:
    """Return the simulated boards on pseudo-terminals that run on this machine and answer."""
    found = []
    for control in controls():
        with Hand(control, timeout_s=ANSWER_S) as hand:
            # A board that was killed leaves its folder behind, and one that is unplugged has no port.
            with contextlib.suppress(Trouble, IndexError):
                found.append(SimulatedBoard(hand.ask("hello")[2], hand.port() or "-", control))
    return found


def take_hold(words: Sequence[str]) -> dict[str, Hand]:
    """Return name → hand of each board that answers at one of the HAND words. Raises `Trouble` if none does.

    If several boards have the same name, the HAND word is added to it.
    """
    hands: dict[str, Hand] = {}
    for word in words:
        hand = Hand(word)
        try:
            board = hand.ask("hello")[2]
        except (Trouble, IndexError):
            continue  # a demo that was killed leaves its folder behind
        hands[f"{board} ({word})" if board in hands else board] = hand
    if not hands:
        raise Trouble(
            "no simulated board answers; start 'benchcon demo' in another terminal, or give the HAND words that "
            "'benchcon demo --headless' prints"
        )
    return hands


def line(panel: Panel, board: str, hand: Hand) -> str:
    """Return one line that says what is lit on `board`. Raises `Trouble` if the board is gone."""
    found: list[str] = []
    name = board.partition(" ")[0]
    labels = {part.channel.id: part.label for part in panel.lamps if part.channel.board == name}
    colours = {part.channel.id: part.colour for part in panel.lamps if part.channel.board == name}
    shows = {part.channel.id: part.label for part in panel.displays if part.channel.board == name}
    for id_, segments in hand.shown_all().items():
        if any(segments):
            found.append(f"{shows.get(id_, id_)} [{decode(segments)}]")
    for id_, look in hand.seen().items():
        if look.level_permille > BARELY:
            how = ["dim"] if look.level_permille < DIM * 1000 else []
            how += ["flickering"] if look.flickering else []
            how += [look.colour] if look.colour and look.colour != colours.get(id_, look.colour) else []
            found.append(labels.get(id_, id_) + (f" ({', '.join(how)})" if how else ""))
    return printable(f"{board:10} {', '.join(found) or '–'}")


def tell(panel: Panel, hands: Mapping[str, Hand], wait: Callable[[float], bool]) -> None:
    """Print one line per board, and again whenever it changes, until `wait` returns True or no board is left.

    On a terminal the lines stay in place. Raises `BrokenPipeError` when the reader of a pipe has gone, even if nothing
    changes that would have to be printed.
    """
    steady = sys.stdout.isatty()
    printed: dict[str, str] = {}
    while True:
        now: dict[str, str] = {}
        for board, hand in hands.items():
            try:
                now[board] = line(panel, board, hand)
            except Trouble:
                now[board] = printable(f"{board:10} (gone)")
        if now != printed:
            if steady:
                own_codes(sys.stdout, f"\x1b[{len(printed)}A" if printed else "")
                for text in now.values():
                    own_codes(sys.stdout, "\x1b[2K")
                    print(text)
                sys.stdout.flush()
            else:
                print("\n".join(text for board, text in now.items() if printed.get(board) != text), flush=True)
            printed = now
        if reader_left(sys.stdout):
            raise BrokenPipeError
        if all(text.endswith("(gone)") for text in now.values()) or wait(LOOK_S):
            return
