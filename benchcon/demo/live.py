"""The demo with its console: desks, bench, scripted hand and weather, put together and taken apart again."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import TYPE_CHECKING

from benchcon.rig.hand import Hand

if TYPE_CHECKING:
    from benchcon.console.run import Ending
    from benchcon.demo.desks import Demo

MOVING = frozenset({"press", "release", "put", "turn", "unplug", "replug", "reset", "fault"})
"""Words of a hand by which a user takes over from the scripted one."""


class UsersHand(Hand):
    """The user's own hand: as soon as it moves something, the scripted hand keeps off."""

    def __init__(self, control: str, takes_over: Callable[[], None]) -> None:
        super().__init__(control)
        self._takes_over = takes_over

    def ask(self, *words: str, allow_s: float = 0.0) -> list[str]:
        """As `Hand.ask`."""
        if words[0] in MOVING:
            self._takes_over()
        return super().ask(*words, allow_s=allow_s)


def open_console(demo: Demo, until: Ending, seconds: float | None = None) -> int:
    """Open the console on the demo's desks; return its exit code when it is left. Ends by itself after `seconds`.

    `until`: who catches signals.
    """
    from benchcon.console.run import run_console
    from benchcon.demo.desks import panel_path
    from benchcon.demo.script import ScriptedHand
    from benchcon.demo.weather import DemoDriver
    from benchcon.link import Bench
    from benchcon.panel.file import load
    from benchcon.session import LiveSession
    from benchcon.walk import occupied

    panel = load(panel_path())
    script = ScriptedHand(demo.hands)
    bench = Bench([desk.port for desk in demo.boards], panel=panel)
    users = {desk.name: UsersHand(desk.control, script.take_over) for desk in demo.boards}
    session = LiveSession(bench, panel, users)
    driver = DemoDriver(session)
    # A walk is a user at work: the scripted hand would spoil what it finds.
    session.subscribe(lambda events: script.take_over() if any(map(occupied.change, events)) else None)
    bench.start()
    script.start()
    driver.start()
    timer = None
    try:
        if seconds is not None:
            import os
            import signal

            # As if the user had closed the terminal: the console ends in its own way.
            timer = threading.Timer(seconds, os.kill, (os.getpid(), signal.SIGTERM))
            timer.daemon = True
            timer.start()
        return run_console(session, until)
    finally:
        if timer is not None:
            timer.cancel()
        script.close()
        driver.close()
        session.close()
