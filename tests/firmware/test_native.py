"""The native build as a program: its port, its hand, its store, and the protocol's rules played against it."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import NamedTuple

import pytest
from firmware.virtual import built, needs_compiler

from benchcon.conform import WireSide
from benchcon.errors import Trouble
from benchcon.rig.hand import Hand

pytestmark = needs_compiler


class Running(NamedTuple):
    process: subprocess.Popen[str]
    port: str
    control: str


@contextmanager
def native(*options: str, panel: str = "desk") -> Iterator[Running]:
    """The program, started; ended by SIGTERM, cleanly."""
    program = built(panel, "native", "benchboard-native")
    process = subprocess.Popen([str(program), *options], stdout=subprocess.PIPE, text=True)
    try:
        assert process.stdout is not None
        name, port, control = process.stdout.readline().split()
        assert name == ("desk" if "--name" not in options else "other")
        yield Running(process, port, control)
    finally:
        process.terminate()
        code = process.wait(20)
        assert process.stdout is not None
        process.stdout.close()
    assert code == 0


@contextmanager
def wire(port: str) -> Iterator[WireSide]:
    line = WireSide(port)
    try:
        yield line
    finally:
        line.close()


def test_a_hand_moves_and_sees_the_parts(tmp_path: Path) -> None:
    with native("--hand", f"unix:{tmp_path}/hand", "--name", "other") as board, Hand(board.control) as hand:
        with wire(board.port) as line:
            assert line.ask("set", "l_app=1F4", "d_dir=7E306D", seconds=20) is not None
            lit = hand.lit()
            assert (lit.pop("l_app"), set(lit.values())) == (500, {0})
            assert hand.shown("d_dir") == bytes.fromhex("7E306D")
            assert hand.seen()["l_stp"].colour == "red"
            with pytest.raises(
                Trouble, match="no control on a channel 'approach'; the hand of firmware knows channels"
            ):
                hand.press("approach")
            hand.put_percent("p_vol", 100)
            hand.turn("e_prs", -2)
            hand.press("sw_ap")
            since = 0
            while not any("sw_ap=1" in notification.words for notification in line.notifications[since:]):
                assert line.await_notification("is", 20, len(line.notifications)) is not None
            answer = line.ask("read", "e_prs", seconds=20)
            assert answer is not None
            assert answer.words[-1] == "e_prs=FFF8"  # two detents of four counts, to the left


def test_a_walk_turns_a_potentiometer_that_is_called_what_its_channel_is(tmp_path: Path) -> None:
    """The hand of firmware knows channels, and not where a part stands: the walk does without."""
    panel = tmp_path / "desk.toml"
    panel.write_text('[boards.desk]\n[controls.p_vol]\nkind = "pot"\nchannel = "p_vol"\n', "utf-8")
    with native() as board:
        command = ["walk", board.port, "--hand", board.control, "--panel", str(panel), "--only", "p_vol"]
        walk = subprocess.run([sys.executable, "-m", "benchcon", *command], capture_output=True, text=True, timeout=60)
    assert (walk.returncode, walk.stdout) == (0, ""), walk.stderr
    assert "1 passed" in walk.stderr


def test_what_is_said_to_nobody_is_gone(tmp_path: Path) -> None:
    """As on a real line: a port opened later begins with notifications of the moment, not with old bytes."""
    with native() as board, Hand(board.control) as hand:
        for _ in range(40):
            hand.put("sw_ap", 1)
            hand.put("sw_ap", 0)
        with wire(board.port) as line:
            answer = line.ask("hello", seconds=20)
            assert answer is not None
            assert not any("sw_ap" in word for notification in line.notifications for word in notification.words)


def test_ident_name_and_boot_number_are_kept(tmp_path: Path) -> None:
    store = ("--store", str(tmp_path / "store"))
    with native(*store) as board, wire(board.port) as line:
        assert line.ask("ident", "tower", seconds=20) is not None
        hello = line.ask("hello", seconds=20)
        assert hello is not None
        boot = int(hello.words[4], 16)
    with native(*store) as board, wire(board.port) as line:
        hello = line.ask("hello", seconds=20)
        assert hello is not None
        assert (int(hello.words[4], 16), hello.words[5]) == (boot + 1, "tower")


def test_unplugged_and_plugged_in_again(tmp_path: Path) -> None:
    with native("--link", str(tmp_path / "port")) as board, Hand(board.control) as hand:
        assert board.port == str(tmp_path / "port")
        hand.unplug()
        assert not (tmp_path / "port").exists()
        assert hand.replug() == board.port
        with wire(board.port) as line:
            hello = line.ask("hello", seconds=20)
            assert hello is not None
            assert int(hello.words[4], 16) == 2


@pytest.mark.slow
@pytest.mark.parametrize("panel", ["desk", "reference"])
def test_every_rule_of_the_protocol_is_passed(panel: str) -> None:
    program = built(panel, "native", "benchboard-native")
    process = subprocess.Popen([str(program)], stdout=subprocess.PIPE, text=True)
    try:
        assert process.stdout is not None
        _, port, control = process.stdout.readline().split()
        done = subprocess.run(
            [sys.executable, "-m", "benchcon", "conform", port, "--hand", control, "--json"],
            capture_output=True,
            text=True,
            timeout=400,
        )
        assert done.returncode == 0, done.stdout + done.stderr
        outcomes = {rule["rule"]: rule["outcome"] for rule in json.loads(done.stdout)["rules"]}
        assert "failed" not in outcomes.values()
        assert sum(outcome == "passed" for outcome in outcomes.values()) >= 20
    finally:
        process.terminate()
        process.wait(20)
        assert process.stdout is not None
        process.stdout.close()
