"""The demo with its console: starts and ends the desks, the bench, and the scenario that is rehearsed on them."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from benchcon.console.run import run_console
from benchcon.console.simulated import hangs_up_after
from benchcon.demo.own_panel import own_panel
from benchcon.gate import say_on_stderr
from benchcon.link import Bench
from benchcon.panel.file import load
from benchcon.rehearse import rules_file
from benchcon.rehearse.live import LiveRun
from benchcon.rehearse.scenario import load as scenario_in
from benchcon.rehearse.users_hand import UsersHand
from benchcon.session import LiveSession
from benchcon.text import printable
from benchcon.walk.occupied import step_aside

if TYPE_CHECKING:
    from benchcon.console.run import Ending
    from benchcon.demo.desks import Demo
    from benchcon.rig.hand import Hand


def scenario_path() -> Path:
    """Return the demo's scenario."""
    return Path(__file__).with_name("ostrey-scenario.toml")


def evening(session: LiveSession, hands: Mapping[str, Hand]) -> LiveRun:
    """Return a run of the demo's scenario on `session`, not started yet; it repeats, and `hands` work the desks."""
    scenario = scenario_in(scenario_path())
    rules = rules_file.load(scenario.rules, scenario.panel, scenario.behaviour)
    run = LiveRun(session, scenario, rules, hands=hands, repeat=True)

    step_aside(session, run)
    return run


def open_console(demo: Demo, until: Ending, seconds: float | None = None) -> int:
    """Open the console on the demo's desks, and return its exit code when it is left, or after `seconds`.

    `until` catches the process's signals.
    """
    path, notice = own_panel()
    if notice:
        say_on_stderr(notice)
    panel = load(path)
    bench = Bench([desk.port for desk in demo.boards], panel=panel)
    users = {desk.name: UsersHand(desk.control, lambda: run.hands_off()) for desk in demo.boards}
    session = LiveSession(bench, panel, users)
    run = evening(session, demo.hands)
    bench.start()
    run.start()
    try:
        with hangs_up_after(seconds):
            return run_console(session, until, run)
    finally:
        run.close()
        session.close()
        if session.panel.digest != panel.digest:
            where = printable(session.panel.path)
            say_on_stderr(f"what you changed is in {where}; the demo starts afresh each time")
