"""Whatever the size of the terminal and whatever is pressed, the console stands."""

from __future__ import annotations

import asyncio
import itertools
import time
from tempfile import TemporaryDirectory

import pytest
from console.looking import Eyes, console
from console.on_boards import OnBoards
from hypothesis import given, settings
from hypothesis import strategies as st
from textual.command import CommandList, CommandPalette
from textual.events import Click
from textual.pilot import Pilot
from textual.widget import Widget

from benchcon.console.app import ConsoleApp
from benchcon.console.raw import Raw
from benchcon.wire.records import BYTES_UP, LINE_UP, LINK, NOTE, Batch

KEYS_THAT_OPEN = ("f1", "f7", "t", "v", "m", "ctrl+p")
"""Each opens another screen."""
VIEWS = ("f2", "f3", "f4", "f5", "f6")


@pytest.mark.parametrize(
    "size",
    [
        (1, 1),
        (10, 3),
        (30, 8),
        (80, 24),
        (118, 34),
        (230, 70),
    ],
)
async def test_any_size_of_terminal(size: tuple[int, int]) -> None:
    session = OnBoards()
    app = ConsoleApp(session)
    async with app.run_test(size=size) as pilot:
        eyes = Eyes(app, pilot)
        for view in VIEWS:
            await eyes.press(view)
            session.moved("power", sw_main=1)
            session.wait(0.5)
            session.moved("power", sw_main=0)
            await pilot.pause(0.06)
            assert len(eyes.rows()) == size[1]
        app.exit()


async def test_the_terminal_changes_its_size_while_it_runs() -> None:
    session = OnBoards()
    async with console(session) as eyes:
        for size in ((140, 45), (60, 15), (118, 34), (80, 24)):
            await eyes.pilot.resize_terminal(*size)
            await eyes.until(lambda size=size: len(eyes.rows()) == size[1] and "F9 DARK" in eyes.rows()[-1])  # type: ignore[misc]
        await eyes.see("WEATHER DESK", "POWER DESK")


async def test_from_timing_to_a_rehearsal_that_is_not_there() -> None:
    session = OnBoards()
    async with console(session) as eyes:
        await eyes.press("f7", "f8")
        await eyes.see("WEATHER DESK", "POWER DESK")


async def test_a_click_on_the_palette_where_the_terminal_no_longer_is() -> None:
    session = OnBoards()
    async with console(session) as eyes:
        await eyes.press("ctrl+p")
        await eyes.until(lambda: isinstance(eyes.app.screen, CommandPalette))
        palette = eyes.app.screen
        palette.post_message(Click(palette, 7, 40, 0, 0, 1, False, False, False, 7, 40))  # there are 24 rows
        await eyes.press("escape")
        await eyes.see("WEATHER DESK")


async def test_pages_of_the_palette_where_there_is_no_row_for_it() -> None:
    session = OnBoards()
    async with console(session) as eyes:
        await eyes.press("ctrl+p", *"dark")
        await eyes.until(lambda: eyes.app.screen.query_one(CommandList).option_count > 0)
        for rows in (6, 5, 4, 3, 2, 1):
            await eyes.pilot.resize_terminal(40, rows)
            await eyes.press("pagedown", "pageup")
        await eyes.pilot.resize_terminal(80, 24)
        await eyes.press("escape")
        await eyes.see("WEATHER DESK")


KEYS = [*VIEWS, "left", "right", "up", "down", "tab", "space", "enter", "escape", "plus", "minus", "b", "a", "1", "."]
KEYS += ["slash", "m", "l", "w", "e", "f", "k", "f1", "f8", "f9", "f12", "ctrl+p", "pageup", "pagedown", "end", "home"]
KEYS += ["left_square_bracket", "right_square_bracket", "shift+left", "backspace", "u"]


@pytest.mark.slow
@settings(max_examples=6, deadline=None)
@given(st.lists(st.sampled_from(KEYS), min_size=5, max_size=18))
def test_no_sequence_of_keys_brings_it_down(keys: list[str]) -> None:
    async def run() -> None:
        session = OnBoards()
        async with console(session) as eyes:
            for number, key in enumerate(keys):
                await eyes.press(key)
                session.moved("power", volts=number * 7)
            assert len(eyes.rows()) == 24

    with TemporaryDirectory() as folder, pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)  # k saves a capture
        asyncio.run(run())


STRANGE = st.builds(
    lambda kind, body: (kind, [body]),
    st.sampled_from([BYTES_UP, LINE_UP, LINK, NOTE]),
    st.binary(max_size=80),
)


@pytest.mark.slow
@settings(max_examples=15, deadline=None)
@given(st.lists(STRANGE, max_size=12), st.sampled_from(VIEWS))
def test_a_stranger_s_records_do_no_harm(records: list[tuple[str, list[bytes]]], view: str) -> None:
    async def run() -> None:
        session = OnBoards()
        async with console(session) as eyes:
            await eyes.press(view)
            for number, (kind, bodies) in enumerate(records):
                session.feed(Batch(session.at_us, number % 6, kind, bodies))
            eyes.app.model.look()
            eyes.app.screen.frame()  # type: ignore[attr-defined]
            await eyes.pilot.pause()
            rows = eyes.rows()
            assert len(rows) == 24
            assert not any(ord(letter) < 32 or 0x7F <= ord(letter) < 0xA0 for row in rows for letter in row)

    asyncio.run(run())


def test_a_screen_that_stands_still_keeps_a_bounded_number_of_events_and_counts_the_rest() -> None:
    from benchcon.view.event_feed import MOST_WAITING, Feed
    from benchcon.wire.events import Gap

    feed = Feed()
    sent = MOST_WAITING + 12_345
    for number in range(sent // 5):
        feed.take([Gap(number, 1, 1)] * 5)
    sorted_now = feed.drain()
    assert sorted_now <= MOST_WAITING
    assert sorted_now + feed.events_dropped == feed.events_taken == sent // 5 * 5
    assert feed.events_dropped >= 12_340


@pytest.mark.parametrize("key", ["", *(pytest.param(key, marks=pytest.mark.slow) for key in KEYS_THAT_OPEN)])
async def test_quit_while_any_widget_is_being_put_up(key: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Textual puts nothing up once the app is to end, so what a screen looks for at its start may not be there."""
    compose = Widget._compose
    left = 0

    async def count_down(widget: Widget) -> None:
        nonlocal left
        left -= 1
        if left == 0:
            widget.app.exit(0)
        await compose(widget)

    async def work(pilot: Pilot[int]) -> None:
        nonlocal left
        app = pilot.app
        while key and not app.screen.query(Raw):  # the last that is put up by itself
            await asyncio.sleep(0)
        if key:
            left = nth
            app.simulate_key(key)
        end = time.monotonic() + 0.5  # if nothing more is put up, which there is no sign of
        while not app._exit and time.monotonic() < end:
            await asyncio.sleep(0)
        app.exit(0)

    monkeypatch.setattr(Widget, "_compose", count_down)
    for nth in itertools.count(1):
        app = ConsoleApp(OnBoards())
        left = 0 if key else nth
        async with asyncio.timeout(20):
            await app.run_async(headless=True, size=(140, 45), auto_pilot=work)
        assert (app.trouble, app.return_code) == ("", 0), nth
        if left > 0:
            break
    assert nth > 2
