"""Evidence as a stranger would write it by hand: each step once, settled values only, no times, nothing asked again."""

from __future__ import annotations

import random
from typing import Any

from walk.rig import Bad, Rig

from benchcon.diagnosis.layout import PanelIndex
from benchcon.panel.model import Panel
from benchcon.walk.plan import LOOKS, plan, steps
from benchcon.walk.wants import outputs_of


def scribble(panel: Panel, bad: list[Bad], rng: random.Random, with_changes: bool = False) -> list[dict[str, Any]]:
    """Return the evidence of one straight walk as JSON values."""
    rig, layout = Rig(panel, bad, rng), PanelIndex.of(panel)
    now = 1_000_000
    rig.advance(now)
    out: list[dict[str, Any]] = []
    for group in plan(panel):
        for step in steps(layout, group, rig.settled):
            if step.do in LOOKS:
                out.append(_look(layout, rig, step))
                continue
            at = now + 500_000
            for name in step.parts:
                if step.do == "put":
                    at = rig.put(name, step.to, at)
                elif step.do == "turn":
                    at = rig.turn(name, step.to, at)
                elif step.do == "end":
                    at = rig.slide(name, float(step.to), at)
            events = rig.advance(at + 2_000_000)
            now = at + 2_000_000
            line: dict[str, Any] = {"what": "hand", "do": step.do, "parts": list(step.parts), "to": step.to}
            line["values"] = dict(rig.settled)
            if step.do == "still" or with_changes:
                line["changes"] = [[t, k, v] for t, how, k, v in events if how == "is"]
                line["readings"] = [[t, k, v] for t, how, k, v in events if how == "raw"]
                line["edges"] = [[t, k, v] for t, how, k, v in events if how == "edge"]
            invalid: dict[str, int] = {}
            for _, how, k, v in events:
                if how == "skip":
                    invalid[k] = invalid.get(k, 0) + v
            out.append(line | ({"invalid": invalid} if invalid else {}))
    return out


def _look(layout: PanelIndex, rig: Rig, step) -> dict[str, Any]:
    wants = outputs_of(layout, step)
    driven, told = dict.fromkeys(wants.lamps, 1000), wants.displays
    shown = {name: picture.hex() for name, picture in rig.displays(told).items()}
    if step.do == "display":
        own = shown.pop(step.parts[0], "")
        return {"what": "display", "part": step.parts[0], "set": step.picture.hex(), "seen": own, "displays": shown}
    seen = {
        name: {"level": level, "colour": colour, "flickering": flickering}
        for name, (level, colour, flickering) in rig.lamps(driven).items()
    }
    shows = {name: picture.hex() for name, picture in told.items()}
    return {"what": "lamps", "set": driven, "seen": seen, "displays": shown, "shows": shows}
