"""A small panel for tests by hand, and short ways to write evidence about it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from walk.panels_read import panel_of

from benchcon.diagnosis.diagnose import diagnose
from benchcon.diagnosis.findings import Finding
from benchcon.panel.model import Panel

TEXT = """
[panel]
title = "Small"

[boards.a]

[matrices.keys]
board = "a"
rows = ["D22", "D23"]
columns = ["D24", "D25"]

[controls.b1]
kind = "button"
channel = { id = "a.b1", pin = "D4", connector = "J1", connector_pin = "4", wire = "green" }
[controls.b2]
kind = "button"
channel = { id = "a.b2", pin = "D5", connector = "J1", connector_pin = "5", wire = "blue" }
[controls.b3]
kind = "button"
channel = { id = "a.b3", pin = "D6" }
[controls.t1]
kind = "switch"
channel = "a.t1"
[controls.rot]
kind = "switch"
positions = ["off", "low", "high"]
channels = ["a.r0", "a.r1", "a.r2"]
[controls.sel]
kind = "switch"
positions = ["w", "x", "y", "z"]
code = [[0], [1], [2], [3]]
channel = "a.sel"
[controls.enc]
kind = "encoder"
channel = { id = "a.enc", pin = "D2/D3" }
[controls.enc2]
kind = "encoder"
channel = "a.enc2"
[controls.vol]
kind = "pot"
channel = "a.vol"
[controls.k00]
kind = "button"
channel = { id = "a.k00", pin = "keys.r0c0" }
[controls.k01]
kind = "button"
channel = { id = "a.k01", pin = "keys.r0c1" }
[controls.k10]
kind = "button"
channel = { id = "a.k10", pin = "keys.r1c0" }
[controls.k11]
kind = "button"
channel = { id = "a.k11", pin = "keys.r1c1" }

[lamps.l1]
colour = "red"
channel = { id = "a.l1", connector = "J2", connector_pin = "1", wire = "red" }
[lamps.l2]
colour = "green"
channel = "a.l2"
[lamps.l3]
channel = "a.l3"

[displays.d1]
digits = 3
channel = "a.d1"
[displays.d2]
digits = 3
channel = "a.d2"
"""


def small() -> Panel:
    return panel_of(TEXT, "small.toml")


def put(part: str | Sequence[str], to: int, **values: int) -> dict[str, Any]:
    parts = [part] if isinstance(part, str) else list(part)
    return {"what": "hand", "do": "put", "parts": parts, "to": to, "values": {f"a.{k}": v for k, v in values.items()}}


def presses(part: str, pressed: dict[str, int], released: dict[str, int]) -> list[dict[str, Any]]:
    return [put(part, 1, **pressed), put(part, 0, **released)]


def lamps(lit: str, *seen: str) -> dict[str, Any]:
    return {"what": "lamps", "set": {lit: 1000} if lit else {}, "seen": list(seen)}


def found(evidence: list[Any]) -> list[Finding]:
    return diagnose(small(), evidence)


def kinds(evidence: list[Any]) -> list[tuple[str, tuple[str, ...]]]:
    return [(finding.kind, finding.channels) for finding in found(evidence)]
