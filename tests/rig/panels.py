"""Panels made in a program, for testing simulated boards."""

from __future__ import annotations

from functools import cache

from benchcon.panel.file import loads
from benchcon.panel.model import Panel
from benchcon.rig.wiring import Wiring, wiring

TEXT = """
[boards.desk]
label = "Test desk"
supply = "5 V"
budget = "300 mA"

[controls.key]
label = "Key"
kind = "button"
channel = { id = "desk.key", pin = "D2" }

[controls.left]
label = "Left"
kind = "switch"
channel = { id = "desk.left", pin = "D3" }

[controls.right]
label = "Right"
kind = "switch"
channel = { id = "desk.right", pin = "D4" }

[controls.rotary]
label = "Rotary"
kind = "switch"
positions = ["one", "two", "three", "four"]
channels = [
  { id = "desk.r1", pin = "D5" },
  { id = "desk.r2", pin = "D6" },
  { id = "desk.r3", pin = "D7" },
  { id = "desk.r4", pin = "D8" },
]

[controls.knob]
label = "Knob"
kind = "encoder"
counts_per_detent = 4
channel = { id = "desk.knob", pin = "D9/D10" }

[controls.dial]
label = "Dial"
kind = "pot"
low = 0
high = 1023
channel = { id = "desk.dial", pin = "A0" }

[lamps.one]
label = "One"
colour = "green"
current = "10 mA"
forward = "2.1 V"
channel = { id = "desk.l1", pin = "D11" }

[lamps.two]
label = "Two"
colour = "amber"
current = "10 mA"
forward = "2.1 V"
channel = { id = "desk.l2", pin = "D12" }

[lamps.three]
label = "Three"
colour = "red"
current = "10 mA"
forward = "2.1 V"
channel = { id = "desk.l3", pin = "D13" }

[displays.number]
label = "Number"
digits = 3
channel = { id = "desk.num" }
"""


@cache
def panel() -> Panel:
    """One board with a part of each kind."""
    return loads(TEXT, "desk.toml")


def desk() -> Wiring:
    """What is wired to that board."""
    return wiring(panel(), "desk")


MATRIX = """
[boards.desk]
[matrices.keys]
board = "desk"
rows = ["D2", "D3", "D4"]
columns = ["D5", "D6", "D7"]
""" + "".join(
    f"""
[controls.k{row}{column}]
label = "Key {row}{column}"
kind = "button"
channel = {{ id = "desk.k{row}{column}", pin = "keys.r{row}c{column}" }}
"""
    for row in range(3)
    for column in range(3)
)
