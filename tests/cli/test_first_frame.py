"""What `benchcon try` has loaded when its first frame is drawn: nothing that the frame does not show.

How long that takes is measured by ``tests/bench/try_first_frame.py``; here is what must not creep in again.
"""

from __future__ import annotations

from pathlib import Path

from console.in_terminal import Terminal

from benchcon.demo import panel_path

WATCHED = """
import sys
from textual.drivers.linux_driver import LinuxDriver
plain = LinuxDriver.write

def write(self, data):
    if "SIMULATED" in data:
        with open(sys.argv[1], "a") as file:
            if not file.tell():
                file.write("\\n".join(["frame" if "DARK" in data else "part of a frame", *sys.modules]))
    plain(self, data)

LinuxDriver.write = write
from benchcon.cli.main import main
sys.exit(main(sys.argv[2:]))
"""

NOT_SHOWN = (
    *("pint", "jinja2", "cryptography", "paho", "shtab", "tomlkit", "serial.tools"),
    *(f"benchcon.{room}" for room in ("timing", "rehearse", "replay", "walk", "diagnosis", "report", "firmware")),
    *(
        f"benchcon.{room}"
        for room in ("conform", "drawing", "demo", "rig.board", "rig.physics", "rig.supply_switching")
    ),
    *(f"benchcon.capture.{each}" for each in ("reader", "writer", "parse")),
    *(
        f"benchcon.console.{each}"
        for each in ("raw", "timeline", "help", "commands", "walk", "ports_screen", "captures")
    ),
)


def test_the_first_frame_is_whole_and_nothing_is_loaded_that_it_does_not_show(tmp_path: Path) -> None:
    seen = tmp_path / "modules"
    words = ("-c", WATCHED, str(seen), "try", str(panel_path()))
    with Terminal(*words, env={"BENCHCON_HOME": str(tmp_path)}, columns=140, rows=45) as terminal:
        terminal.see("SIMULATED", "● live")
        terminal.press("q")
        assert terminal.ended() == 0
    what, *modules = seen.read_text().split("\n")
    assert what == "frame", "the first that is drawn is all of it, down to the keys"
    assert [name for name in modules if name in NOT_SHOWN or name.startswith(tuple(f"{n}." for n in NOT_SHOWN))] == []
