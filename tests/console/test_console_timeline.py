"""The time line and playing back: what was is shown as it was, live and from a capture alike."""

from __future__ import annotations

import random
import re
import time
from pathlib import Path

import pytest
from console.looking import Eyes, console
from console.on_boards import OnBoards
from hypothesis import given, settings
from hypothesis import strategies as st

from benchcon.console.timeline import TimeLine
from benchcon.console.transport import Transport
from benchcon.errors import Trouble
from benchcon.session import ReplaySession
from benchcon.view.history import UNKNOWN, HistoryTrack
from benchcon.view.moments import marks_of, time_of
from benchcon.view.recorded import Recorded
from benchcon.view.traces import between_text, column_text, round_step_us, tick_text
from benchcon.wire.codec import notification
from benchcon.wire.records import LINE_UP, Batch

PATIENCE_S = 20.0


# --- tracks, against a plain list -----------------------------------------------------------------------------------

CHANGES = st.lists(st.tuples(st.integers(0, 10_000), st.integers(0, 3)), max_size=60)


@given(CHANGES, st.integers(0, 11_000))
def test_a_value_at_a_time_is_the_last_one_before(changes: list[tuple[int, int]], at_us: int) -> None:
    track = HistoryTrack()
    kept: list[tuple[int, int]] = []
    for when, value in sorted(changes, key=lambda pair: pair[0]):
        track.add(when, value)
        if not kept or kept[-1][1] != value:
            kept.append((when, value))
    assert track.value_at(at_us) == next((value for when, value in reversed(kept) if when <= at_us), UNKNOWN)
    assert track.change_near(at_us, 1) == next((when for when, _ in kept if when > at_us), None)
    assert track.change_near(at_us, -1) == next((when for when, _ in reversed(kept) if when < at_us), None)


@given(CHANGES, st.integers(0, 5_000), st.integers(1, 900), st.integers(1, 20))
def test_stretches_lose_no_change(changes: list[tuple[int, int]], start: int, each: int, count: int) -> None:
    track = HistoryTrack()
    track.add(0, 9)
    for when, value in sorted(changes, key=lambda pair: pair[0]):
        track.add(when + 1, value)
    found = track.stretches(start, each, count)
    within = [t for t in track.times if start <= t < start + each * count and t > 0]
    assert sum(stretch.changes for stretch in found) == len(within)
    for number, stretch in enumerate(found):
        if stretch.value != UNKNOWN:
            assert stretch.value == track.value_at(start + (number + 1) * each - 1)
            assert stretch.least <= stretch.value <= stretch.greatest


# --- words for times ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "us"),
    [("90", 90_000_000), ("1:30", 90_000_000), ("0:01:30.25", 90_250_000), ("250 ms", 250_000), ("2 min", 120_000_000)],
)
def test_times_as_people_write_them(text: str, us: int) -> None:
    assert time_of(text) == us


@given(st.text(max_size=20))
def test_what_is_no_time_is_said_in_one_line(text: str) -> None:
    try:
        found = time_of(text)
    except Trouble as trouble:
        told = str(trouble)
    else:
        assert found >= 0
        return
    assert "\n" not in told


def test_words_about_a_mark_stand_at_its_moment() -> None:
    notes = [(10, "mark 1"), (15, "trigger chatter on sw1"), (20, "word 1: the knob"), (30, "word by the way")]
    assert marks_of(notes) == [(10, "mark 1: the knob"), (15, "trigger chatter on sw1"), (30, "word by the way")]


def test_the_time_between_two_cursors_to_the_microsecond() -> None:
    assert between_text(137) == "137 µs"
    assert between_text(-12_345) == "-12.345 ms"
    assert between_text(2_500_000) == "2.500 s"


# --- on the screen --------------------------------------------------------------------------------------------------


def line(eyes: Eyes) -> TimeLine:
    return eyes.app.screen.query_one(TimeLine)


def busy(session: OnBoards, seconds: int, seed: int = 5) -> None:
    """Something happens on every kind of channel."""
    pick = random.Random(seed)
    lighting, power = session.source("lighting"), session.state.boards[session.source("power")]
    for _ in range(seconds * 10):
        session.wait(0.1)
        what = pick.randrange(5)
        if what == 0:
            session.moved("power", sw_batt=1 - (power.channels["sw_batt"].value or 0))
        elif what == 1:
            session.moved("power", volts=pick.randrange(1024))
        elif what == 2:
            session.moved("met", enc_qnh=pick.choice([0, 4, 8, 12]))
        elif what == 3:
            session.bench.set_lamp(lighting, "l_app", pick.choice([0, 400, 1000]))
        else:
            session.bench.set_display(session.source("met"), "d_spd", bytes([0x30, pick.choice([0x7E, 0x6D])]))


async def test_two_cursors_measure_the_time_between_two_changes() -> None:
    session = OnBoards()
    async with console(session, (140, 45)) as eyes:
        await eyes.press("f6")
        session.wait(1.0)
        session.moved("met", unit=1)
        session.wait(0.0123)
        session.moved("met", unit=0)
        session.wait(2.0)
        key = (session.source("met"), "unit")
        await eyes.until(lambda: len(eyes.app.model.history.track(key).times) == 3)
        await eyes.press("shift+left")
        await eyes.until(lambda: line(eyes).cursors["A"] is not None)
        await eyes.press("tab", "shift+left")
        _, pressed_us, released_us = eyes.app.model.history.track(key).times
        assert 110_000 <= released_us - pressed_us <= 115_000
        await eyes.see(f"B−A  {between_text(pressed_us - released_us)}")


async def test_values_stand_in_words_at_both_cursors() -> None:
    session = OnBoards()
    async with console(session, (140, 45)) as eyes:
        await eyes.press("f6")
        session.wait(1.0)
        before_us = session.at_us
        session.moved("power", sw_batt=1, volts=512)
        session.moved("met", unit=1, enc_qnh=12)
        session.bench.set_lamp(session.source("met"), "l_xwind", 450)
        session.wait(2.0)
        await eyes.until(lambda: "45 %" in eyes.text())
        await eyes.press("tab")  # B where A is: now
        line(eyes).moving = "A"
        line(eyes).put(before_us)

        def row(label: str) -> list[str]:
            return next(each for each in eyes.rows() if each.startswith(f" {label} "))[-20:].split()

        wanted = {
            "Battery": ["off", "on"],
            "hPa / inHg": ["released", "pressed"],
            "Pressure set": ["+0", "+3"],
            "Bus volts": ["0", "%", "50", "%"],
            "Crosswind": ["off", "45", "%"],
        }
        await eyes.until(lambda: all(row(label) == words for label, words in wanted.items()), "words at A and B")


async def test_levels_are_curves_on_two_rows_where_there_is_room() -> None:
    session = OnBoards()
    async with console(session, (200, 60)) as eyes:
        await eyes.press("f6")
        for volts in (1023, 512, 64):
            session.wait(0.9)
            session.moved("power", volts=volts)
        session.wait(1.0)
        await eyes.until(lambda: "6 %" in eyes.text())
        rows = eyes.rows()
        lower = next(y for y, row in enumerate(rows) if row.startswith(" Bus volts"))
        # A column is 100 ms. A full potentiometer reaches into the upper row, half of it fills the lower one.
        assert 10 <= rows[lower - 1].count("▆") <= 11  # a change counts for the column that it falls in
        assert 19 <= rows[lower].count("█") + rows[lower].count("▇") <= 24
        assert not rows[lower - 1][:26].strip()
        await eyes.click("Crosswind")
        assert line(eyes)._rows[line(eyes).chosen].label == "Crosswind"


@given(st.floats(10, 2e11))
def test_times_on_the_axis_are_round(least_us: float) -> None:
    step = round_step_us(least_us)
    assert step >= least_us
    assert step <= 3.1 * least_us or step >= 21_600_000_000
    if step < 10_000_000:  # the 1, 2, 5 series of any ruler
        assert f"{step:e}"[0] in "125"
        assert set(str(step)[1:]) <= {"0"}
    else:  # a clock's
        assert step % 5_000_000 == 0


@given(st.integers(0, 10**6), st.sampled_from([50, 1_000, 20_000, 500_000, 1_000_000, 15_000_000, 300_000_000]))
def test_a_time_on_the_axis_reads_as_it_is(number: int, step: int) -> None:
    hours, minutes, seconds = ("0:" + tick_text(number * step, step)).split(":")[-3:]
    told_us = round((int(hours) * 3600 + int(minutes) * 60 + float(seconds)) * 1e6)
    assert told_us == number * step


async def test_marks_are_jumped_to() -> None:
    session = OnBoards()
    async with console(session, (140, 45)) as eyes:
        await eyes.press("f6")
        session.wait(1.0)
        at_us = session.at_us
        session.mark("1")
        session.wait(5.0)
        await eyes.until(lambda: bool(eyes.app.model.past.marks))
        await eyes.press("left_square_bracket")
        await eyes.until(lambda: line(eyes).cursors["A"] == at_us)
        await eyes.see("▲", "mark 1")


async def test_a_board_that_is_lost_or_silent_is_drawn_as_not_known_until_it_is_heard_again() -> None:
    session = OnBoards()
    async with console(session, (140, 45)) as eyes:
        session.bench.frame_us = 0
        session.moved("met", unit=1)
        session.wait(1.0)
        await eyes.press("f6")

        def row(label: str) -> str:
            return next((row for row in eyes.rows() if row.startswith(f" {label} ")), "")

        await eyes.until(lambda: re.search(r"▅ +pressed$", row("hPa / inHg").rstrip()))
        session.stop("met")
        session.wait(5.0)  # three alive times that it is silent, and two seconds more
        await eyes.until(lambda: row("hPa / inHg").rstrip().endswith("?"))
        drawn = row("hPa / inHg")
        # A column is 100 ms: three seconds after it was heard last it is not known any more.
        assert drawn.count("?") == 2  # where it begins, and the value
        assert 16 <= drawn.count("·") + 1 <= 24
        assert 28 <= drawn.rstrip(" ?·").count("▅") <= 44
        assert row("Battery").rstrip().endswith("off")
        session.resume("met")
        session.wait(1.1)
        await eyes.until(lambda: row("hPa / inHg").rstrip().endswith("pressed"))
        session.wait(0.5)
        session.lost("met")
        session.wait(1.0)
        await eyes.until(lambda: row("hPa / inHg").rstrip().endswith("?") and row("hPa / inHg").count("?") == 3)


async def test_marks_and_cursors_stand_in_a_row_of_their_own() -> None:
    session = OnBoards()
    async with console(session, (140, 45)) as eyes:
        await eyes.press("f6")
        for _ in range(90):
            session.wait(0.1)
            session.mark("x")
        await eyes.until(lambda: sum(row.count("▲") for row in eyes.rows()) > 60)
        (axis,) = [row for row in eyes.rows() if row.count("╵") > 4 and ":" in row]
        assert len(re.findall(r"╵\d\d:\d\d(\.\d+)?", axis)) == axis.count("╵")  # every number is whole


async def test_zoom_keeps_the_cursor_in_view() -> None:
    session = OnBoards()
    async with console(session) as eyes:
        busy(session, 3)
        await eyes.press("f6", "left", "left")
        at_us = line(eyes).cursors["A"]
        assert at_us is not None
        for key in ["plus"] * 8 + ["minus"] * 14:
            await eyes.press(key)
            shown = line(eyes)
            assert shown.start_us <= at_us <= shown.right_us


async def test_a_move_that_was_read_before_the_console_began_to_follow_is_shown_though_it_comes_after() -> None:
    session = OnBoards()
    source = 9
    session.link(source, "ident", ident="desk", port="/dev/ttyX")
    session.exchange(source, ("item", "00"), ("item", "00", "board", "ident=desk"))
    session.exchange(source, ("item", "01"), ("item", "01", "contact", "b1"))
    session.notification(source, "is", "b1=0")
    late = Batch(session.at_us, source, LINE_UP, [notification(1, session.at_us, ["is", "b1=1"])])
    session.wait(0.5)
    async with console(session, (120, 60)) as eyes:
        session.feed(late)
        await eyes.press("f6")
        await eyes.see("b1")
        await eyes.until(lambda: "made" in next(row for row in eyes.rows() if "b1" in row).lower(), "made")


async def test_a_value_of_a_rehearsal_that_began_before_the_console_has_its_row() -> None:
    session = OnBoards()
    session.link(0, "values", wind_speed="14 kt")
    async with console(session) as eyes:
        await eyes.press("f6")
        await eyes.see("Wind speed [kt]", "14")


async def test_the_selected_row_stays_selected_when_a_value_comes_to_be_known() -> None:
    session = OnBoards()
    async with console(session) as eyes:
        await eyes.press("f6")
        await eyes.see("Pressure set")
        await eyes.press("down")
        row = line(eyes)._rows[line(eyes).chosen]
        session.link(0, "values", wind_speed="14 kt")
        await eyes.see("Wind speed [kt]")
        assert line(eyes)._rows[line(eyes).chosen].label == row.label


# --- a capture ------------------------------------------------------------------------------------------------------


def recorded(path: Path, seconds: int) -> OnBoards:
    session = OnBoards()
    session.start_recording(path)
    busy(session, seconds)
    session.mark("1")
    session.wait(0.5)
    session.stop_recording()
    return session


def test_a_capture_shows_what_the_live_bench_showed(tmp_path: Path) -> None:
    """Column by column, every channel: drawn from the file it is the same as remembered live."""
    from benchcon.view.history import History

    path = tmp_path / "busy.capture"
    session = OnBoards()
    history = History()
    session.follow(history.take)
    session.start_recording(path)
    begun = session.at_us
    busy(session, 6)
    # One board falls silent and is heard again, one is lost and comes back, one is reset.
    session.stop("lighting")
    session.wait(5.0)
    session.resume("lighting")
    session.moved("lighting", sw_app=1)
    session.lost("met")
    session.wait(1.0)
    session.plugged_in("met")
    session.wait(0.5)
    with session.deaf("power"):
        session.fingers["power"].ask("reset")
        session.wait(3.0)
    session.wait(1.0)
    busy(session, 6)
    session.stop("lighting", "met", "power")
    session.wait(4.0)  # and in the end all are silent
    session.tick()
    session.stop_recording()
    past = Recorded(path, begun, session.at_us)
    try:
        for start, each, count in (
            (begun, 190_000.0, 130),
            (begun + 3_000_000, 20_000.0, 80),
            (begun + 10_500_000, 9e4, 130),
        ):
            keys = [key for key in history.tracks if history.row(key, start, each, count)]
            assert len(keys) > 25
            past.row(keys[0], start, each, count)
            end = time.monotonic() + PATIENCE_S
            while past._window != past._wanted or past._columns_done < count:
                assert time.monotonic() < end, past.trouble
                time.sleep(0.01)
            if each > 50_000:  # the silence, the loss and the reset are seen in it
                gone = {
                    key[0] for key in keys if UNKNOWN in [one.value for one in past.row(key, start, each, count) or ()]
                }
                assert gone == {1, 2, 3}
            for key in keys:
                assert past.row(key, start, each, count) == history.row(key, start, each, count), key
    finally:
        past.close()


def test_a_stranger_s_capture_without_keyframes_fills_in(tmp_path: Path) -> None:
    path, bare = tmp_path / "busy.capture", tmp_path / "bare.capture"
    session = recorded(path, 5)
    lines = path.read_bytes().split(b"\n")
    bare.write_bytes(b"\n".join(line for line in lines if b" 0 = " not in line and b" 0 # " not in line))
    past = Recorded(bare, 0, session.at_us)
    try:
        key = (session.source("power"), "volts")
        end = time.monotonic() + PATIENCE_S
        while not any(stretch.changes for stretch in past.row(key, 0, 100_000.0, 70) or []):
            assert time.monotonic() < end, past.trouble
            time.sleep(0.01)
    finally:
        past.close()


async def test_playing_back_steps_jumps_and_finds_marks(tmp_path: Path) -> None:
    path = tmp_path / "busy.capture"
    live = recorded(path, 6)
    session = ReplaySession(path)
    async with console(session) as eyes:
        await eyes.see("paused", "busy.capture")
        assert "F9 DARK" not in eyes.text()  # nothing can be lit from a capture
        before = session.now_us()
        await eyes.press("full_stop")
        await eyes.until(lambda: session.now_us() > before)
        await eyes.press("n")
        await eyes.until(lambda: session.now_us() == live.at_us - 500_000)
        state, wanted = session.state.as_json(0)["boards"], live.state.as_json(0)["boards"]
        for now, then in zip(state, wanted, strict=True):
            values = {each["id"]: each["value"] for each in now["channels"]}
            assert values == {each["id"]: each["value"] for each in then["channels"]}
        await eyes.press("g")
        await eyes.see("Go to")
        await eyes.press(*"nonsense", "enter")
        await eyes.see("is not a time")
        await eyes.press("ctrl+u", *"2.5", "enter")
        await eyes.until(lambda: session.now_us() == 2_500_000)
        await eyes.press("greater_than_sign", "greater_than_sign", "space")
        await eyes.see("playing", "× 5")
        await eyes.until(lambda: session.now_us() == session.last_us, "the end")
        await eyes.see("paused")


@pytest.mark.slow
async def test_a_recording_is_stepped_forth_and_back_by_the_same_moments(tmp_path: Path) -> None:
    path = tmp_path / "busy.capture"
    recorded(path, 6)
    session = ReplaySession(path)
    async with console(session) as eyes:
        await eyes.see("paused", ", Previous change  . Next change")
        moments, states = [], []
        for _ in range(7):
            await eyes.press("full_stop")
            moments.append(session.now_us())
            states.append(session.state.as_json(0)["boards"])
        assert len(set(moments)) == 7
        for moment, state in reversed(list(zip(moments, states, strict=True))[:-1]):
            await eyes.press("comma")
            assert session.now_us() == moment
            assert session.state.as_json(0)["boards"] == state
        await eyes.press(*["comma"] * 40)
        await eyes.notified("there is no change before this")
        await eyes.press("n", "n")
        await eyes.notified("there is no mark after this")
        await eyes.until(
            lambda: any("██" in row or "█ " in row for row in eyes.rows()[-6:-1]), "what moved last, large"
        )


@pytest.mark.parametrize(
    ("key", "why"), [("r", "nothing to record"), ("plus", "nothing can be moved"), ("f9", "nothing can be lit")]
)
async def test_a_key_that_does_nothing_in_a_recording_says_why(tmp_path: Path, key: str, why: str) -> None:
    path = tmp_path / "busy.capture"
    recorded(path, 1)
    async with console(ReplaySession(path)) as eyes:
        await eyes.press(key)
        await eyes.notified(
            f"this is a capture: {why}" if key != "r" else "this is a capture: there is nothing to record"
        )


async def test_the_cursor_takes_the_recording_along(tmp_path: Path) -> None:
    path = tmp_path / "busy.capture"
    recorded(path, 6)
    session = ReplaySession(path)
    async with console(session, (140, 45)) as eyes:
        await eyes.press("f6")
        await eyes.until(lambda: "▅" in eyes.text())
        await eyes.press(*["right"] * 20, "enter")
        at_us = line(eyes).cursors["A"]
        await eyes.until(lambda: session.now_us() == at_us)
        assert eyes.app.screen.query_one(Transport).session is session


@pytest.mark.slow
@settings(max_examples=8, deadline=None)
@given(st.lists(st.sampled_from(["left", "right", "plus", "minus", "tab", "a", "up", "down", "end", "shift+left"])))
def test_no_key_sequence_breaks_the_time_line(keys: list[str]) -> None:
    import asyncio

    async def run() -> None:
        session = OnBoards()
        async with console(session) as eyes:
            busy(session, 1)
            await eyes.press("f6", *keys)
            assert len(eyes.rows()) == 24

    asyncio.run(run())


@pytest.mark.parametrize(
    ("us", "text"), [(100_000, "100 ms"), (100, "100 µs"), (200_014, "200 ms"), (2_500_000, "2.5 s")]
)
def test_how_long_a_column_lasts_is_told_without_idle_zeros(us: float, text: str) -> None:
    assert column_text(us) == text


async def test_a_key_that_finds_nowhere_to_go_says_so() -> None:
    async with console(OnBoards(), (80, 24)) as eyes:
        await eyes.press("f6")
        await eyes.see("a column is")
        await eyes.press("right_square_bracket")
        await eyes.notified("There is no mark or trigger after this.")
        await eyes.press("left_square_bracket")
        await eyes.notified("There is no mark or trigger before this.")
        await eyes.press("shift+right")
        await eyes.notified("There is no change of this channel after this.")
