"""What is said of dark: large where everything is, at the board where one is, and every plug that is to be pulled.

In a real terminal, on simulated boards in processes of their own; what is *really* lit is read through their hands.
"""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from pathlib import Path

import pytest
from console.in_terminal import Terminal
from console.looking import Eyes, console
from console.on_boards import OSTREY, OnBoards
from textual import events

from benchcon.console import glyphs
from benchcon.demo import Demo, start
from benchcon.panel.file import loads

PATIENCE_S = 30.0


@pytest.fixture
def demo() -> Iterator[Demo]:
    with start(separate=True) as demo:
        yield demo


def stands_large(text: str, screen: str) -> bool:
    """Whether `text` stands on the screen in letters five rows high."""
    return any(all(line.rstrip() in screen for line in glyphs.drawn(text, face)) for face in glyphs.FACES)


@pytest.mark.slow
def test_dark_of_one_board_is_said_at_that_board_and_dark_of_all_in_large_letters(demo: Demo, tmp_path: Path) -> None:
    words = ["-m", "benchcon", "console", *(desk.port for desk in demo.boards), "--panel", str(OSTREY)]
    with Terminal(*words, env={"BENCHCON_HOME": str(tmp_path)}) as terminal:
        terminal.until(lambda: terminal.text().count("● live") == 3, "three live boards")
        terminal.press("F5")
        terminal.until(lambda: terminal.text().count("5.00 V") == 2, "heartbeats of those in view")
        terminal.press("F2")
        demo.hands["power"].press("sw_batt")
        terminal.until(lambda: stands_large("on", terminal.text()), "the switch in large letters")
        # What is sent to one board does not arrive for a while: its dead-man darkens it, and it says so.
        terminal.press("right", "right", " ")
        terminal.until(lambda: demo.hands["met"].lit()["l_xwind"] == 1000, "the lamp")
        demo.hands["met"].ask("fault", "lose_line", "share=100%", "way=down")
        terminal.until(lambda: demo.hands["met"].lit()["l_xwind"] == 0, "dark")
        terminal.see("◐ met dark")
        terminal.until(
            lambda: any("◐ dark" in row and "WEATHER" in row for row in terminal.text().splitlines()[1:]),
            "dark at the board that is",
        )
        rows = terminal.text().splitlines()
        assert not any("◐ dark" in row for row in rows[1:] if "LIGHTING" in row or "POWER" in row)
        assert not stands_large("DARK", terminal.text())
        demo.hands["met"].clear()
        terminal.press("F9")
        terminal.until(lambda: stands_large("DARK", terminal.text()), "DARK in large letters")
        assert "◐ DARK" in terminal.text().splitlines()[0]
        # A switch that is moved meanwhile takes nothing away from that.
        demo.hands["power"].release("sw_batt")
        terminal.until(lambda: "▀ on" not in terminal.text(), "the switch")
        assert stands_large("DARK", terminal.text())
        terminal.press("F12")
        terminal.until(lambda: not stands_large("DARK", terminal.text()), "the end of dark")
        terminal.until(lambda: stands_large("off", terminal.text()), "the switch again")
        terminal.press("q")
        assert terminal.ended() == 0


def test_a_second_supply_is_named_with_the_plug(demo: Demo, tmp_path: Path) -> None:
    panel = tmp_path / "desk.toml"
    text = OSTREY.read_text().replace('budget = "250 mA"', 'budget = "250 mA"\nexternal_supply = "12 V"')
    panel.write_text(text)
    words = ["-m", "benchcon", "console", *(desk.port for desk in demo.boards), "--panel", str(panel)]
    met = demo.pids[[desk.name for desk in demo.boards].index("met")]
    with Terminal(*words, env={"BENCHCON_HOME": str(tmp_path)}) as terminal:
        terminal.until(lambda: terminal.text().count("● live") == 3, "three live boards")
        os.kill(met, signal.SIGSTOP)
        try:
            terminal.press("F9")
            terminal.see("NOT CONFIRMED dark", "PULL THE PLUG AND SWITCH OFF THE SECOND SUPPLY")
            assert "met (USB and its 12 V supply)" in " ".join(terminal.text().split())
            assert stands_large("PULL THE PLUG", terminal.text())
            assert stands_large("AND 2ND SUPPLY", terminal.text())
            terminal.see("F9 asks again")
            terminal.press("enter")
            terminal.see("F12 End dark")
            terminal.press("q")
            assert terminal.ended() == 1
        finally:
            os.kill(met, signal.SIGCONT)
        assert "at met switch off its 12 V supply too" in " ".join(terminal.raw.decode("utf-8", "replace").split())


async def test_of_boards_that_are_not_there_nothing_is_said() -> None:
    session = OnBoards()
    async with console(session) as eyes:
        session.lost("power")
        await eyes.press("f9")
        await eyes.until(lambda: stands_large("DARK", eyes.text()), "DARK in large letters")
        assert stands_large("LINKED", eyes.text())


async def test_dark_that_is_asked_for_before_a_board_was_ever_heard_alive_stays() -> None:
    """A board that was left dark by an earlier program is welcomed out of it; not so where this user asked for dark."""
    session = OnBoards()
    async with console(session) as eyes:
        await eyes.press("f9")
        session.wait(3.0)  # heartbeats of every board
        await eyes.press("f5", "f2")
        await eyes.until(lambda: stands_large("DARK", eyes.text()), "DARK in large letters")
        assert all(board.dark for board in session.state.boards.values())


def typed(eyes: Eyes, *keys: str) -> None:
    """Type keys faster than the screen takes them: dark is asked for on the thread that reads them, before all."""
    for key in keys:
        if key == "f9":
            eyes.app.dark_now()
        event = events.Key(key, None)
        event.set_sender(eyes.app)
        eyes.app.post_message(event)


@pytest.mark.parametrize("before", [(), ("r",)], ids=["in turn", "while a question opens"])
async def test_dark_that_is_pressed_after_the_end_of_dark_stays(before: tuple[str, ...]) -> None:
    session = OnBoards()
    async with console(session) as eyes:
        await eyes.press("f9")
        await eyes.see("◐ DARK")
        typed(eyes, *before, "f12", "f9")
        await eyes.settled()
        await eyes.press("f1")
        await eyes.see("Keys")
        assert all(board.dark for board in session.state.boards.values())
        assert session.bench.asked[-1][1] == ("dark",)


async def test_dark_that_is_pressed_while_a_board_is_met_stays(monkeypatch: pytest.MonkeyPatch) -> None:
    session = OnBoards()
    session.bench.dark()  # as an earlier program left it
    light, pressed = session.bench.light, []
    async with console(session) as eyes:

        def meanwhile(source: int | None = None) -> object:
            if not pressed:
                pressed.append(True)
                eyes.app.dark_now()
            return light(source)

        monkeypatch.setattr(session.bench, "light", meanwhile)
        session.wait(1.0)  # a heartbeat says that it is dark
        await eyes.until(lambda: bool(pressed), "a board to be met")
        await eyes.settled()
        assert all(board.dark for board in session.state.boards.values())


@pytest.mark.parametrize("size", [(80, 24), (60, 16), (40, 10)])
async def test_what_to_pull_is_readable_at_any_size(size: tuple[int, int]) -> None:
    text = OSTREY.read_text().replace('supply = "5 V"\n', 'supply = "5 V"\nexternal_supply = "12 V"\n')
    session = OnBoards(loads(text))
    session.stop("lighting", "met", "power")
    async with console(session, size) as eyes:
        await eyes.press("f9")
        session.wait(0.6)
        await eyes.until(lambda: "NOT CONFIRMED dark" in eyes.text(), "the shout")
        told = " ".join(eyes.text().split())
        assert "PULL THE PLUG AND SWITCH OFF THE SECOND SUPPLY: lighting (USB and its 12 V supply), met" in told


@pytest.mark.slow
def test_that_dark_has_ended_is_said_only_where_it_has(tmp_path: Path) -> None:
    """A switch on the panel holds one board dark: the key ends the dark of the others, and says which one stays."""
    panel = tmp_path / "desk.toml"
    panel.write_text(OSTREY.read_text().replace("[controls.battery]\n", "[controls.battery]\ndarkens = true\n"))
    with start(panel=panel, separate=True) as demo:
        words = ["-m", "benchcon", "console", *(desk.port for desk in demo.boards), "--panel", str(panel)]
        with Terminal(*words, env={"BENCHCON_HOME": str(tmp_path)}) as terminal:
            terminal.until(lambda: terminal.text().count("● live") == 3, "three live boards")
            demo.hands["power"].press("sw_batt")
            terminal.see("◐ power dark")
            terminal.press("F9")
            terminal.until(lambda: stands_large("DARK", terminal.text()), "DARK in large letters")
            terminal.press("F12")
            terminal.see("Still dark: power (the switch on the panel holds it)")
            assert "Dark, confirmed" not in terminal.text()
            assert "Dark has ended" not in terminal.text()
            demo.hands["power"].release("sw_batt")
            terminal.until(lambda: stands_large("off", terminal.text()), "the switch, off")
            terminal.press("F12")
            terminal.see("Dark has ended")
            terminal.press("q")
            assert terminal.ended() == 0
