"""Where a change of the panel file mends it as well, the patch that is offered does: walked again, nothing is wrong."""

from __future__ import annotations

import random
import tomllib
from typing import Any

import pytest
import tomlkit
from walk.rig import Bad, Rig
from walk.scribe import scribble
from walk.small import TEXT

from benchcon.diagnosis.diagnose import diagnose
from benchcon.panel.file import loads
from benchcon.panel.model import Panel


def patched(text: str, patch: str) -> str:
    """Put the lines of `patch` over those of the panel file, as a builder would."""
    document: Any = tomlkit.parse(text)
    for room, tables in tomllib.loads(patch).items():
        for name, keys in tables.items():
            for key, value in keys.items():
                document[room][name][key] = value
    return tomlkit.dumps(document)


@pytest.mark.parametrize(
    "bad",
    [
        Bad("inverted", ("a.b1",)),
        Bad("inverted", ("a.r1",)),
        Bad("crossed", ("a.b1", "a.b2")),
        Bad("crossed", ("a.b1", "a.b2", "a.t1")),
        Bad("crossed", ("a.r0", "a.r2")),
        Bad("crossed", ("a.enc", "a.enc2")),
        Bad("crossed", ("a.l1", "a.l3")),
        Bad("crossed", ("a.l1", "a.l3", "a.l2")),
        Bad("crossed", ("a.d1", "a.d2")),
        Bad("reversed", ("a.enc",)),
        Bad("reversed", ("a.vol",)),
        Bad("reversed", ("a.sel",)),
        Bad("other counts", ("a.enc",), {"counts": 2}),
        Bad("short of range", ("a.vol",), {"from": 0.1, "to": 0.8}),
        Bad("positions crossed", ("a.sel",), {"swap": (1, 2)}),
        Bad("wrong colour", ("a.l1",), {"colour": "blue"}),
    ],
    ids=lambda bad: f"{bad.kind} {' '.join(bad.channels)}",
)
def test_the_patch_mends_it(bad: Bad) -> None:
    panel = loads(TEXT, "small")
    (finding,) = diagnose(panel, scribble(panel, [bad], random.Random(1)))
    assert finding.kind == bad.kind
    mended = loads(patched(TEXT, finding.patch), "mended")
    assert diagnose(mended, on_old_copper(panel, mended, bad)) == []


REPEATED = """
[boards.a]
[lamps.zone]
channel = { id = "z1", pin = "D5", connector = "J4", connector_pin = "1" }
repeat = { columns = 3 }
[controls.haul]
kind = "button"
channel = { id = "b1", pin = "D2" }
lit = { colour = "green", channel = { id = "g1", pin = "A0" } }
repeat = { columns = 2 }
"""


@pytest.mark.parametrize(
    "bad",
    [
        Bad("crossed", ("a.z1", "a.z2")),
        Bad("crossed", ("a.b1", "a.b2")),
        Bad("wrong colour", ("a.g1",), {"colour": "blue"}),
    ],
    ids=lambda bad: f"{bad.kind} {' '.join(bad.channels)}",
)
def test_a_part_without_a_table_of_its_own_gets_no_lines_for_one(bad: Bad) -> None:
    """[lamps.zone_1] beside the repeat that makes zone_1 would be a second part on the same pin."""
    panel = loads(REPEATED, "repeated")
    (finding,) = diagnose(panel, scribble(panel, [bad], random.Random(1)))
    assert (finding.kind, finding.patch) == (bad.kind, "")


def on_old_copper(old: Panel, new: Panel, bad: Bad) -> list[Any]:
    """Walk by the new panel file on the rig as it is wired: the parts and wires are the old ones."""
    import walk.scribe

    class OldCopper(Rig):
        def __init__(self, panel: Panel, bads: list[Bad], rng: random.Random) -> None:
            super().__init__(old, bads, rng)
            self.turned = {
                channel.board + "." + channel.id
                for control in new.controls
                for channel in control.channels
                if channel.active == "high"
            }
            self.settled = {k: (1 - v if k in self.turned else v) for k, v in self.settled.items()}

        def lamps(self, driven: dict[str, int]) -> dict[str, tuple[str, str, bool]]:
            return super().lamps({self.at_home(name): level for name, level in driven.items()})

        def displays(self, driven: dict[str, bytes]) -> dict[str, bytes]:
            return super().displays({self.at_home(name): picture for name, picture in driven.items()})

        def at_home(self, name: str) -> str:
            """The part that the old panel file has on the channel that the new one drives for `name`."""
            channel = new.part(name).channel.id
            return next(p.name for p in (*old.lamps, *old.displays) if p.channel.id == channel)

        def advance(self, to: int) -> list[tuple[int, str, str, int]]:
            self.settled = {k: (1 - v if k in self.turned else v) for k, v in self.settled.items()}
            events = super().advance(to)
            self.settled = {k: (1 - v if k in self.turned else v) for k, v in self.settled.items()}
            # `active = "high"` in the panel file becomes the inversion in the board's firmware.
            return [(t, how, k, 1 - v if how == "is" and k in self.turned else v) for t, how, k, v in events]

    kept = walk.scribe.Rig
    walk.scribe.Rig = OldCopper  # type: ignore[misc]
    try:
        return scribble(new, [bad], random.Random(2))
    finally:
        walk.scribe.Rig = kept  # type: ignore[misc]
