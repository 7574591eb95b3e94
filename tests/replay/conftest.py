"""A capture of a simulated desk at work, made once for this room's tests."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from benchcon.demo.desks import panel_path, start
from benchcon.link import Bench
from benchcon.panel.file import load
from benchcon.session import LiveSession

PATIENCE_S = 60


def record_power_desk(path: Path) -> Path:
    """Work the power desk: switches, a knob, a lamp, dark and light; record it as the console does."""
    panel = load(panel_path())
    with start(panel=panel_path(), boards=["power"], separate=True) as demo:
        bench = Bench([demo.boards[0].port], panel=panel, keep=False)
        session = LiveSession(bench, panel)
        session.start_recording(path)
        bench.start()
        assert bench.wait(lambda ports: bool(ports) and ports[0].stage == "live", PATIENCE_S)
        source = bench.ports()[0].source
        hand = demo.hands["power"]
        # Time between the moves is part of the story: these pauses are what is recorded.
        hand.put("mains", 1)
        time.sleep(0.3)
        bench.set_lamp(source, "l_main", 1000).result(PATIENCE_S)
        time.sleep(0.3)
        hand.put("standby", 2)
        time.sleep(0.3)
        hand.put("bus_volts", 700)
        time.sleep(0.3)
        bench.dark().result(PATIENCE_S)
        time.sleep(0.2)
        bench.light().result(PATIENCE_S)
        bench.set_lamp(source, "l_batt", 300).result(PATIENCE_S)
        time.sleep(0.3)
        hand.put("mains", 0)
        time.sleep(0.3)
        bench.close()
        session.stop_recording()
    return path


@pytest.fixture(scope="session")
def power_desk(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return record_power_desk(tmp_path_factory.mktemp("desk") / "power.capture")
