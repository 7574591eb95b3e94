"""A master switch of one's own panel: off, and everything that it feeds is unlit, whatever is sent to it."""

from __future__ import annotations

from pathlib import Path

from rig.talk import Talk
from waiting import until

from benchcon.rig.boards import start

PANEL = """\
[boards.desk]
[boards.roof]
[controls.master]
kind = "switch"
begins = "on"
channel = "desk.s1"
[controls.inside]
kind = "switch"
channel = "desk.s2"
[lamps.ready]
channel = "desk.l1"
[displays.depth]
digits = 2
channel = "desk.d1"
[lamps.beacon]
channel = "roof.l1"
[supplies.outside]
feeds = ["roof"]
on_when = [{ master = "on" }]
[supplies.inside_lit]
feeds = ["depth"]
on_when = [{ master = "on", inside = "on", after = "0.2 s" }]
"""


def test_boards_and_parts_are_lit_only_while_their_supply_is_on(tmp_path: Path) -> None:
    path = tmp_path / "boat.toml"
    path.write_text(PANEL, "utf-8")
    with start(path) as boards:
        desk, roof = boards.hands["desk"], boards.hands["roof"]
        assert desk.where() == {"master": 1, "inside": 0}
        with Talk(boards.boards[0].port) as own, Talk(boards.boards[1].port) as outside:
            own.ask("set", "l1=3E8", "d1=306D")
            outside.ask("set", "l1=3E8")
            assert roof.lit() == {"l1": 1000}
            # The display has a supply of its own, which is off; the lamp beside it on its board is not fed by it.
            assert (desk.lit(), desk.shown("d1")) == ({"l1": 1000}, b"\0\0")
            desk.put("inside", 1)
            until(lambda: desk.shown("d1") == b"\x30\x6d")
            desk.put("master", 0)
            until(lambda: roof.lit() == {"l1": 0} and desk.shown("d1") == b"\0\0")
            assert desk.lit() == {"l1": 1000}
            # The board itself goes on, and says that its lamps have no supply.
            until(lambda: int(outside.notification("alive")[6], 16) < 100)
            desk.put("master", 1)
            until(lambda: roof.lit() == {"l1": 1000} and desk.shown("d1") == b"\x30\x6d")


def test_separate_boards_are_fed_whatever_their_switches_say(tmp_path: Path) -> None:
    path = tmp_path / "boat.toml"
    path.write_text(PANEL, "utf-8")
    with start(path, separate=True) as boards:
        assert boards.hands["desk"].where()["master"] == 0
        with Talk(boards.boards[1].port) as outside:
            outside.ask("set", "l1=3E8")
            assert boards.hands["roof"].lit() == {"l1": 1000}


def test_what_is_switched_on_a_board_that_does_not_run_stays_fed(tmp_path: Path) -> None:
    path = tmp_path / "boat.toml"
    path.write_text(PANEL, "utf-8")
    with start(path, boards=["roof"]) as boards, Talk(boards.boards[0].port) as outside:
        outside.ask("set", "l1=3E8")
        assert boards.hands["roof"].lit() == {"l1": 1000}
