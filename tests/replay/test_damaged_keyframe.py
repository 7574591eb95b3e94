"""Keyframes that cannot be read: said in one line, and the state comes from what can be (section 6 of the document)."""

from __future__ import annotations

from pathlib import Path

import pytest
from replay.story import evening, write

from benchcon.cli.main import main
from benchcon.replay.keyframes import hold_against_keyframes
from benchcon.session import ReplaySession
from benchcon.state import BenchState
from benchcon.state_reader import StateReader

PANEL = "[boards.lighting]\n[lamps.l1]\nchannel = { id = 'l1' }\n"
BODIES = [
    b"{",
    b"[1]",
    b'{"form":2}',
    b'{"form":1,"boards":[]}',
    b'{"form":1,"boards":7,"observer":{"boards":[]},"panel":{"text":"","digest":""},"records":0,"notes":0}',
    b"[" * 100_000,
]


def damaged(path: Path, which: int, body: bytes) -> tuple[Path, Path]:
    """A capture, and the same with `body` in place of its keyframe number `which`, counted from 0."""
    whole = write(path / "whole.capture", evening().batches, every=10, panel=PANEL)
    lines = whole.read_bytes().split(b"\n")
    at = [number for number, line in enumerate(lines) if b" 0 = " in line[:24]][which]
    lines[at] = lines[at].partition(b" 0 = ")[0] + b" 0 = " + body
    other = path / "damaged.capture"
    other.write_bytes(b"\n".join(lines))
    return whole, other


def keyframe_problems(reader: StateReader) -> list[str]:
    return [problem.text for problem in reader.problems if problem.sort == "keyframe"]


def values(state: BenchState) -> dict[tuple[str, str], int | None]:
    return {(board.ident, each.id): each.value for board in state.boards.values() for each in board.channels.values()}


@pytest.mark.parametrize("body", BODIES)
def test_from_a_damaged_opening_the_next_keyframe_makes_it_whole(tmp_path: Path, body: bytes) -> None:
    whole, other = damaged(tmp_path, 0, body)
    state = BenchState()
    with StateReader(other) as reader:
        for batch in reader:
            state.feed(batch)
        assert [problem.where for problem in reader.problems if problem.sort == "keyframe"] == ["line 2"]
        assert reader.carried_panel().lamps[0].name == "l1", "of the keyframe after it"
    with StateReader(whole) as reader:
        assert state.keyframe() == reader.state_at(reader.last_us).keyframe()
    assert hold_against_keyframes(other).otherwise == [], "the next keyframe is where the state begins"


@pytest.mark.parametrize("body", BODIES)
def test_going_to_a_moment_behind_a_damaged_keyframe(tmp_path: Path, body: bytes) -> None:
    whole, other = damaged(tmp_path, 4, body)
    with StateReader(whole) as good, StateReader(other) as reader:
        moments = [at_us for at_us, _ in good.keyframes()]
        for at_us in moments:
            assert reader.state_at(at_us).keyframe() == good.state_at(at_us).keyframe()
            reader.state_at(at_us + 1)
        (told,) = keyframe_problems(reader)
        assert "skipped, and nothing is lost" in told
        # Read in order it is the same line of the file, not another problem.
        reader.rewind()
        list(reader)
        assert len(keyframe_problems(reader)) == 1


def test_every_keyframe_damaged_is_a_capture_of_what_the_boards_said(tmp_path: Path) -> None:
    whole, _ = damaged(tmp_path, 0, b"{")
    other = tmp_path / "none.capture"
    other.write_bytes(whole.read_bytes().replace(b'{"form":1,', b'{"form":x,'))
    with StateReader(whole) as good, StateReader(other) as reader:
        state = reader.state_at(reader.last_us)
        assert values(state) == values(good.state_at(good.last_us))
        assert reader.carried_panel().lamps == ()


def test_it_is_one_line_for_people(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    _, other = damaged(tmp_path, 0, b"\x1b[31m{")
    assert main(["replay", str(other), "--headless"]) == 0
    lines = [line for line in capsys.readouterr().err.splitlines() if "keyframe" in line]
    assert len(lines) == 1
    assert (
        f"{other}: line 2: this keyframe cannot be read (it is not JSON): what it held is not known until" in lines[0]
    )
    assert main(["check", str(other)]) == 1
    session = ReplaySession(other)
    session.jump(session.last_us)
    assert session.new_problem().startswith("line 2: this keyframe cannot be read")
    assert session.new_problem() == ""
    session.close()
