"""Panel files for the tests of the generator: text with known lines, and builders of larger ones."""

from __future__ import annotations

from pathlib import Path

import benchcon.demo
from benchcon.firmware.board_plan import Plan
from benchcon.firmware.plan import plan
from benchcon.panel.file import load, loads

DEMO = Path(benchcon.demo.__file__).parent / "ostrey.toml"
DESKS = ("lighting", "met", "power")


def planned(text: str, board: str = "desk") -> Plan:
    """Return the plan of a panel file's text."""
    return plan(loads(text, "desk.toml"), board)[0]


def demo_plan(board: str) -> Plan:
    """Return the plan of one desk of the demo."""
    return plan(load(DEMO), board)[0]


BOARD = """\
[boards.desk]
label = "Test desk"
chip = "atmega328p"
budget = "60 mA"
"""

EVERYTHING = """\
[boards.desk]
label = "Everything"
chip = "{chip}"
budget = "100 mA"
chains.165 = {{ data = "{miso}", clock = "A1", load = "A2", chips = 2 }}
chains.595 = {{ data = "{mosi}", clock = "{sck}", load = "{ss}", chips = 2 }}
chains.7219 = {{ data = "{mosi}", clock = "{sck}", load = "A3", chips = 2 }}

[matrices.keys]
rows = ["D8", "D9"]
columns = ["A4", "A5"]
diodes = false

[controls.direct]
kind = "button"
act_on = "first edge"
debounce = "25 ms"
channel = {{ id = "direct", pin = "D4" }}

[controls.high]
kind = "switch"
channel = {{ id = "high", pin = "D5", active = "high" }}

[controls.far]
kind = "switch"
positions = ["left", "middle", "right"]
code = [[1, 0], [0, 0], [0, 1]]
channels = [{{ id = "far_l", pin = "165.0" }}, {{ id = "far_r", pin = "165.15", active = "high" }}]

[controls.key]
kind = "button"
channel = {{ id = "key", pin = "keys.r1c0" }}

[controls.turn]
kind = "encoder"
counts_per_detent = 2
channel = {{ id = "turn", pin = "D2/D3", connector = "J1", connector_pin = "5/6", wire = "white/brown" }}

[controls.turn_far]
kind = "encoder"
channel = {{ id = "turn_far", pin = "165.6/165.7" }}

[controls.dim]
kind = "pot"
channel = {{ id = "dim", pin = "A0" }}

[lamps.near]
label = 'Wh??/ "\\%'
colour = "red"
channel = {{ id = "near", pin = "D6", active = "low" }}

[lamps.plain]
dimmed = false
channel = {{ id = "plain", pin = "D7" }}

[lamps.remote]
label = "Ferne Lampe äöü mit einem sehr langen Namen an der Wand"
colour = "amber"
current = "2 mA"
channel = {{ id = "remote", pin = "595.15" }}

[displays.number]
digits = 3
segment_current = "1 mA"
channel = {{ id = "number", pin = "7219.6" }}
"""


def everything(chip: str) -> str:
    """Return a panel file with a part of every kind on every kind of pin."""
    spi = {"mosi": "D11", "miso": "D12", "sck": "D13", "ss": "D10"}
    if chip == "atmega2560":
        spi = {"mosi": "D51", "miso": "D50", "sck": "D52", "ss": "D53"}
    return EVERYTHING.format(chip=chip, **spi)
