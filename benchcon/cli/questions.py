"""The menu of ``benchcon`` when nothing is plugged in, and the questions from which a first panel file is made."""

from __future__ import annotations

import functools
import re
import sys
from collections.abc import Callable
from typing import TypeVar

from benchcon.errors import Trouble
from benchcon.text import capitalised

T = TypeVar("T")

MENU = """\
Nothing is plugged in over USB, so there is no board to open. What would you like to do?

  1  look at the demo: three simulated desks, nothing to plug in
  2  try a panel file of mine, simulated
  3  write a first panel file from a few questions
  4  see how to connect a board
  5  open the console all the same: this computer's own serial ports, or an address
  q  leave
"""
CONNECT = """\
To connect a board:

- Take a USB cable that carries data. One from a charger or a lamp often has only the two supply wires: \
the board lights up, and no port appears.
- Plug it in, and look with 'benchcon ports'. On Linux your user must be in the group that owns the port, \
most often 'dialout': sudo usermod -aG dialout $USER, then log in again.
- Its firmware must speak the line protocol. 'benchcon firmware PANEL -o build' makes one from a panel file, \
and 'benchcon conform PORT' tests whether your own firmware follows the rules.
- 'benchcon console PORT' opens it. By naming the port you allow it; plain 'benchcon' opens it from then on.
"""


class InputEnded(Trouble):
    """The input has ended (Ctrl-D, or the end of a file or pipe), so no more answers will come."""


def ask(question: str) -> str:
    """Print `question` and return the line typed, stripped. Raises `InputEnded` at the end of input."""
    print(f"{question} ", end="", flush=True)
    answer = sys.stdin.readline()
    if not answer:
        print()
        raise InputEnded(f'the input ended at the question "{question}"; nothing was written')
    return answer.strip()


def first_panel() -> str:
    """Ask for size, parts and board; return the panel file's text.

    Answers that do not fit together are asked again, with the reason and a proposal; the others are kept.
    Raises `Trouble` after `ROUNDS` such rounds, and `InputEnded` at the end of input.
    """
    from benchcon.panel.first import BOARDS, KINDS, MOST, TooSmall, first_file
    from benchcon.units import written

    title = ask("What is the panel called? (Panel)") or "Panel"
    width, height = 200.0, 150.0
    counts = dict.fromkeys(KINDS, 0)
    board = "uno"
    todo = ["size", "counts", "board"]
    for _ in range(ROUNDS):
        if "size" in todo:
            width = _length(f"How wide is its plate? ({written(width, 'mm')})", width)
            height = _length(f"How high? ({written(height, 'mm')})", height)
        if "counts" in todo:
            for kind, before in counts.items():
                read = functools.partial(_count, most=MOST[kind])
                counts[kind] = int(_until(f"How many {kind}? ({before})", str(before), read))
            if not any(counts.values()):
                print("  A panel has at least one part on it. Once more:")
                todo = ["counts", "board"]
                continue
        if "board" in todo:
            print("  Which board are they wired to: uno or nano (ATmega328P), mega (ATmega2560), or none of these?")
            board = _until(f"Board? ({board})", board, functools.partial(_one_of, words=tuple(BOARDS)))
        try:
            return first_file(title, width, height, counts, board)
        except TooSmall as small:
            print(f"  {capitalised(str(small))}. Enter takes that.")
            (width, height), todo = small.plate, ["size"]
        except Trouble as trouble:
            print(f"  {capitalised(str(trouble))}. Once more:")
            board, todo = "mega" if board != "none" else board, ["counts", "board"]
    raise Trouble("these answers make no panel; nothing was written")


ROUNDS = 8
"""How often answers that do not fit together are asked again: a pipe may give the same answer for ever."""


def _length(question: str, usual_mm: float) -> float:
    from benchcon.units import quantity, written

    def length(text: str) -> float:
        # The question shows millimetres, so a number without a unit is taken as mm.
        found = quantity(f"{text} mm" if re.fullmatch(r"[\d.]+", text) else text, "mm")
        if not 40 <= found <= 2000:
            raise ValueError(
                f"is {written(found, 'mm')}; from 40 mm to 2 m is allowed, with its unit if that is not mm"
            )
        return found

    return _until(question, written(usual_mm, "mm"), length)


def _count(text: str, most: int) -> float:
    if not text.isdecimal() or int(text[:6]) > most:
        raise ValueError(f"is not a number from 0 to {most}")
    return int(text)


def _one_of(text: str, words: tuple[str, ...]) -> str:
    if text.lower() not in words:
        raise ValueError(f"is none of {', '.join(words)}")
    return text.lower()


def _until(question: str, usual: str, read: Callable[[str], T]) -> T:
    """Ask up to five times until `read` accepts the answer, and return its result. Raises `Trouble` after that."""
    from benchcon.text import printable

    for _ in range(5):
        text = ask(question) or usual
        try:
            return read(text)
        except ValueError as why:
            print(f'  "{printable(text[:40])}" {why}')
    raise Trouble("too many answers could not be read; nothing was written")
