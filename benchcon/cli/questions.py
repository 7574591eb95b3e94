"""What ``benchcon`` asks when nothing is plugged in, and the few questions that a first panel file is made of."""

from __future__ import annotations

import sys
from collections.abc import Callable

MENU = """\
Nothing is plugged in over USB, so there is no board to open. What would you like to do?

  1  look at the demo: three simulated desks, nothing to plug in
  2  try a panel file of mine, simulated
  3  write a first panel file, by a few questions
  4  see how a board is connected
  5  open the console all the same: this computer's own serial ports, or an address
  q  leave
"""
CONNECT = """\
To connect a board:

- Take a USB cable that carries data. One from a charger or a lamp often has only the two wires of the supply: the board
  lights up, and no port appears.
- Plug it in, and look with 'benchcon ports'. On Linux your user must be in the group that owns the port, most often
  'dialout': sudo usermod -aG dialout $USER, then log in again.
- Its firmware must speak the line protocol. 'benchcon firmware PANEL -o build' makes one from a panel file, and
  'benchcon conform PORT' says whether one of your own keeps the rules.
- 'benchcon console PORT' opens it. Naming a port is agreeing to it; plain 'benchcon' opens it from then on.
"""


def ask(question: str) -> str:
    """Return what is typed; nothing at the end of input."""
    print(f"{question} ", end="", flush=True)
    return sys.stdin.readline().strip()


def first_panel() -> str:
    """Ask for size and parts; return the panel file's text. Raises `Trouble` where they do not fit."""
    from benchcon.panel.first import KINDS, MOST, first_file

    title = ask("What is the panel called? (Panel)") or "Panel"
    width = _length("How wide is its plate? (200 mm)", "200 mm")
    height = _length("How high? (150 mm)", "150 mm")
    counts = {}
    for kind in KINDS:
        counts[kind] = int(_until(f"How many {kind}? (0)", "0", lambda text: _count(text, MOST)))
    return first_file(title, width, height, counts)


def _length(question: str, usual: str) -> float:
    from benchcon.units import quantity

    def length(text: str) -> float:
        found = quantity(text, "mm")
        if not 40 <= found <= 2000:
            raise ValueError("is outside 40 mm to 2 m")
        return found

    return _until(question, usual, length)


def _count(text: str, most: int) -> float:
    if not text.isdecimal() or int(text[:6]) > most:
        raise ValueError(f"is no number from 0 to {most}")
    return int(text)


def _until(question: str, usual: str, read: Callable[[str], float]) -> float:
    """Ask until the answer can be read; at the end of input it cannot be asked again."""
    from benchcon.errors import Trouble
    from benchcon.text import printable

    for _ in range(5):
        text = ask(question) or usual
        try:
            return read(text)
        except ValueError as why:
            print(f'  "{printable(text[:40])}" {why}')
    raise Trouble("too many answers could not be read; nothing was written")
