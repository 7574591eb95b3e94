"""The real binary, paced to real time on a pseudo-terminal, with the console code that a user runs."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from firmware.emulated import Paced, bench, needs_emulator
from firmware.emulated_session import drafted, work_everything, working
from waiting import until

from benchcon.session import ReplaySession

pytestmark = needs_emulator


@pytest.fixture(autouse=True)
def own_places(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("BENCHCON_HOME", str(tmp_path / "home"))
    monkeypatch.setenv("BENCHCON_LOCKS", str(tmp_path))


@pytest.fixture
def desk() -> Iterator[Paced]:
    with bench().start() as paced:
        yield paced


CLOCKED = {"clock", "notification-time"}
"""The rules that hold the board's clock against the host's."""


def conform(paced: Paced, *options: str) -> dict[str, str]:
    """Run `benchcon conform` as a user does; return what came of each rule.

    The emulator falls behind on a busy machine, and then makes up for it: only what is late twice is late.
    """
    done = subprocess.run(
        [sys.executable, "-m", "benchcon", "conform", paced.port, "--hand", paced.control, "--json", *options],
        capture_output=True,
        text=True,
        timeout=240,
    )
    assert done.returncode in (0, 1), done.stdout + done.stderr
    found = {rule["rule"]: rule["outcome"] for rule in json.loads(done.stdout)["rules"]}
    failed = [rule for rule, outcome in found.items() if outcome == "failed"]
    if failed and CLOCKED.issuperset(failed) and not options:
        return found | conform(paced, *(word for rule in failed for word in ("--only", rule)))
    assert done.returncode == 0, done.stdout + done.stderr
    return found


@pytest.mark.slow
def test_a_session_from_reset_with_every_input_and_output_worked(desk: Paced, tmp_path: Path) -> None:
    path = tmp_path / "session.capture"
    panel = drafted(desk.port)
    with working(desk, panel, tmp_path) as at:
        at.session.start_recording(path)
        before = at.board.boot
        at.hand.reset()
        at.until(lambda: at.board.boot == before + 1 and at.board.known and at.board.liveness(at.now_us) == "live")
        work_everything(at)
        with at.session.lock:
            live = at.session.state.as_json(at.session.state.at_us)
            at.session.stop_recording()
            # The reset may have fallen into the middle of a request: what is left of it is then a bad line.
            assert (at.board.bad_lines or 0) <= 2
            assert (at.board.lost_notifications, at.board.dropped) == (0, 0)
    replay = ReplaySession(path)
    replay.jump(replay.last_us)
    assert replay.state.as_json(replay.state.at_us) == live
    replay.close()


@pytest.mark.slow
def test_the_dead_man_darkens_the_desk_when_the_console_is_killed(desk: Paced, tmp_path: Path) -> None:
    panel = tmp_path / "desk.toml"
    panel.write_text(drafted(desk.port))
    killed = (
        "import sys, os, signal\n"
        "from benchcon.link import Bench\n"
        "bench = Bench([sys.argv[1]], deadman_ms=1000)\n"
        "bench.start()\n"
        "assert bench.wait(lambda ports: bool(ports) and ports[0].source > 0 and ports[0].stage == 'live', 20)\n"
        "bench.set_lamp(bench.ports()[0].source, 'l_app', 1000).result(20)\n"
        "print('lit', flush=True)\n"
        "os.kill(os.getpid(), signal.SIGKILL)\n"
    )
    from benchcon.rig.hand import Hand

    with Hand(desk.control) as hand:
        done = subprocess.run([sys.executable, "-c", killed, desk.port], capture_output=True, text=True, timeout=60)
        assert done.stdout == "lit\n", done.stderr
        until(lambda: hand.lit()["l_app"] == 0)


@pytest.mark.slow
def test_rules_of_the_protocol_that_are_quick_to_play(desk: Paced) -> None:
    rules = ("check", "tags", "read", "set", "ping-stamps", "dark", "boot")
    found = conform(desk, *(word for rule in rules for word in ("--only", rule)))
    assert set(rules) <= {rule for rule, outcome in found.items() if outcome == "passed"}


@pytest.mark.slow
def test_every_rule_of_the_protocol(desk: Paced) -> None:
    found = conform(desk)
    # The clock is not near its wrap, every lamp of this desk can be dimmed, and it has no dark switch: the rest is run.
    assert {rule for rule, outcome in found.items() if outcome != "passed"} <= {
        "clock (wrap)",
        "set (undimmed)",
        "local-dark",
    }
    assert "failed" not in found.values()
    assert len(found) >= 30
