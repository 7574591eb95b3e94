"""A recording on the screen: where it begins, the events after a jump, and Space, which plays it on every view."""

from __future__ import annotations

from pathlib import Path

import pytest
from console.looking import console
from console.on_boards import OnBoards

from benchcon.console.event_list import EventList
from benchcon.session import ReplaySession
from benchcon.view.event_feed import worth_telling
from benchcon.view.replay_backlog import ReplayBacklog
from benchcon.wire.events import Event


def switched(path: Path, seconds: int) -> None:
    """The mains switch thrown once a second; keyframes between come with the writer's own pace."""
    session = OnBoards()
    session.start_recording(path)
    for second in range(seconds):
        session.wait(0.9)
        session.moved("power", sw_batt=second % 2 ^ 1)
        if second == 2:
            session.mark("here")
    session.stop_recording()


async def test_after_a_jump_the_events_are_those_until_there(tmp_path: Path) -> None:
    path = tmp_path / "night.capture"
    switched(path, 60)
    session = ReplaySession(path)
    async with console(session) as eyes:
        await eyes.press("f4")
        await eyes.press("g", *"4.5", "enter")
        # The switch was thrown at 1, 2, 3 and 4 s, the mark set after 3 s.
        await eyes.see("EVENTS  5 ", "0:00:02.0", "Battery (sw_batt) = on", "0:00:04.0", "here")
        await eyes.press("g", *"55.5", "enter")
        await eyes.see("EVENTS  56 ", "0:00:55.0")
        assert "0:00:56" not in eyes.text()
        await eyes.press("slash", *"here", "enter")
        await eyes.see("only: here", "0:00:03.1")
        await eyes.press("g", *"2.5", "enter")
        await eyes.see("Nothing that fits the filter.")
        await eyes.press("escape")
        await eyes.see("EVENTS  2 ")
        await eyes.press("full_stop")
        await eyes.see("EVENTS  3 ", "0:00:03.0")


async def test_a_damaged_keyframe_is_reported_once(tmp_path: Path) -> None:
    path = tmp_path / "night.capture"
    switched(path, 5)
    path.write_bytes(path.read_bytes().replace(b'{"form":1,', b'{"form":x,', 1))
    async with console(ReplaySession(path)) as eyes:
        await eyes.see("line 2: this keyframe cannot be read (it is not JSON)")


@pytest.mark.parametrize("most", [5, 40, 20_000])
def test_looking_back_gives_what_playing_gave(tmp_path: Path, most: int) -> None:
    path = tmp_path / "night.capture"
    switched(path, 130)
    session = ReplaySession(path)
    played: list[Event] = []
    session.subscribe(lambda events: played.extend(filter(worth_telling, events)))
    backlog = ReplayBacklog(session)
    session.playing = True
    for _ in range(40):
        session.advance(3_333_333)
        found, whole = backlog.events(most, worth_telling)
        assert [(each[:2], type(each)) for each in found] == [(each[:2], type(each)) for each in played[-most:]]
        assert whole == (len(played) <= most)
    assert len(played) == 131
    backlog.close()
    session.close()


@pytest.mark.parametrize("view", ["f2", "f3", "f4", "f5", "f6"])
async def test_space_plays_a_recording_on_every_view(tmp_path: Path, view: str) -> None:
    path = tmp_path / "night.capture"
    switched(path, 10)
    session = ReplaySession(path)
    async with console(session) as eyes:
        await eyes.press(view, "space")
        await eyes.see("playing")
        await eyes.press("space")
        await eyes.see("paused", "Space Play/pause")
        assert eyes.rows()[-1].count("Space ") == 1  # one key, one meaning
        if view == "f4":
            await eyes.press("s")
            await eyes.see("HELD", "s Hold")
            assert eyes.app.screen.query_one("#events", EventList).frozen is not None


async def test_a_recording_begins_where_its_boards_are_known(tmp_path: Path) -> None:
    path = tmp_path / "young.capture"
    session = OnBoards(start=False)
    session.start_recording(path)
    session.wait(2.0)
    session.bench.start()
    session.wait(5.0)
    session.stop_recording()
    replay = ReplaySession(path)
    async with console(replay) as eyes:
        await eyes.see("paused", "0:00:02.", "● live")
        assert "not there" not in eyes.text()
        await eyes.press("f6", "home")
        await eyes.see("nothing is known yet: the capture begins here; Space plays")


@pytest.mark.parametrize("size", [(80, 24), (140, 45)])
async def test_a_short_recording_of_a_long_day_says_how_long_it_is(tmp_path: Path, size: tuple[int, int]) -> None:
    path = tmp_path / "late.capture"
    session = OnBoards()
    session.wait(36.0)
    session.start_recording(path)
    session.wait(0.9)
    session.moved("power", sw_batt=1)
    session.wait(0.9)
    session.moved("power", sw_batt=0)
    session.stop_recording()
    replay = ReplaySession(path)
    async with console(replay, size) as eyes:
        await eyes.press("f4", "home")
        await eyes.see("paused  0:00:3", "0:00:00.0 of 0:00:02.0")
        await eyes.press("end", "full_stop", "full_stop")
        await eyes.see("0:00:02.0 of 0:00:02.0")
