"""The vectors that say how light lamps burn, played to the simulated board; `tests/firmware` plays the same ones to
the C core and to the emulated chip."""

from __future__ import annotations

import pytest
from rig.virtual import Host
from wire.vector_files import Block, blocks, only

from benchcon.panel.file import loads
from benchcon.rig.wiring import wiring

# The outputs of the reference board of `protocols/vectors/board.txt`.
REFERENCE = """
[boards.reference]
supply = "5 V"
[lamps.l1]
colour = "amber"
current = "10 mA"
channel = { id = "reference.l1", pin = "D9" }
[lamps.l2]
colour = "red"
current = "10 mA"
dimmed = false
channel = { id = "reference.l2", pin = "D10" }
"""
DIALOGUES = [block for block in blocks("dialogues.txt") if any(key == "lit" for key, _ in block)]


def test_there_are_such_dialogues() -> None:
    assert DIALOGUES


@pytest.mark.parametrize("block", DIALOGUES, ids=lambda block: only(block, "dialogue"))
def test_dialogue(block: Block) -> None:
    host = Host(plan=wiring(loads(REFERENCE), "reference"))
    host.run(50)
    for key, value in block:
        if key == "send":
            assert host.ask(*value.split(" ")[1:])[0] == value.split(" ")[1]
        elif key == "lit":
            assert {id_: f"{level:03X}" for id_, level in host.lit().items()} == dict(
                w.split("=") for w in value.split()
            )
