"""A small panel of one board, and engines on it, for rehearsal tests."""

from __future__ import annotations

from pathlib import Path

from benchcon.panel.file import loads
from benchcon.panel.model import Panel
from benchcon.rehearse import behaviour, rules_file
from benchcon.rehearse.engine import Engine
from benchcon.rehearse.inputs import Controls

PANEL = """\
[panel]
title = "Small"

[boards.desk]
label = "Desk"

[controls.mains]
label = "Mains"
kind = "switch"
channel = { id = "desk.sw_main" }

[controls.ack]
label = "Acknowledge"
kind = "button"
channel = { id = "desk.b_ack" }

[controls.mode]
label = "Mode"
kind = "switch"
positions = ["off", "auto", "hand"]
channels = [{ id = "desk.m0" }, { id = "desk.m1" }, { id = "desk.m2" }]

[controls.knob]
label = "Knob"
kind = "encoder"
channel = { id = "desk.enc" }

[controls.volts]
label = "Volts"
kind = "pot"
channel = { id = "desk.pot" }

[lamps.crosswind]
label = "Crosswind"
colour = "amber"
current = "8 mA"
channel = { id = "desk.l_xwind" }

[lamps.alarm]
label = "Alarm"
colour = "red"
current = "8 mA"
channel = { id = "desk.l_alarm" }

[displays.pressure]
label = "Pressure"
digits = 5
format = "0000.0"
channel = { id = "desk.d_qnh" }

[displays.level]
label = "Level"
digits = 5
channel = { id = "desk.d_level" }
"""

VALUES = """\
[values.wind_speed]
unit = "kt"
range = ["0 kt", "99 kt"]
start = "0 kt"

[values.wind_direction]
unit = "deg"
range = ["0 deg", "360 deg"]

[values.pressure_now]
unit = "hPa"
range = ["900 hPa", "1100 hPa"]
start = "1013.25 hPa"
"""


def panel() -> Panel:
    return loads(PANEL, "small.toml")


def values(text: str = VALUES) -> behaviour.Behaviour:
    read, findings = behaviour.inspect(text, "small-behaviour.toml")
    assert read is not None
    assert [str(each) for each in findings if each.grave] == []
    return read


def engine(folder: Path, rules: str) -> Engine:
    """Write `rules` into a file, load it, and return an engine whose controls are at rest."""
    path = folder / "rules.py"
    path.write_text(rules)
    made = Engine(panel(), values(), rules_file.load(path, panel(), values()))
    controls = Controls(panel())
    for id_, value in {"sw_main": 0, "b_ack": 0, "m0": 1, "m1": 0, "m2": 0, "enc": 0, "pot": 0}.items():
        made.update(controls.moved("desk", id_, value, 0))
    return made


def found(rules: str) -> list[str]:
    """Return what `check` finds about a rules file, its name left out."""
    _, findings = rules_file.inspect(rules, "rules.py", panel(), values())
    return [str(each).removeprefix("rules.py:") for each in findings if each.grave]
