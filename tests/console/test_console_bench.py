"""The console on a live bench: what a builder sees and what the keys do."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from console.looking import Eyes, console, tile_rows
from console.on_boards import FRAME_US, OSTREY, OnBoards, control_named
from few import few_of
from textual.events import MouseScrollDown, MouseScrollUp

from benchcon.link import PortInfo
from benchcon.panel.file import load, loads
from benchcon.panel.model import Panel
from benchcon.panel.segments import encode


def shows(number: str) -> tuple[str, str]:
    """The request that has the display of the wind's direction show this."""
    return "set", f"d_dir={encode(number, 3).hex().upper()}"


async def test_every_part_of_the_demo_stands_on_the_face_at_80_by_24() -> None:
    session = OnBoards()
    async with console(session) as eyes:
        await eyes.see("WEATHER DESK", "LIGHTING DESK", "POWER DESK", "SIMULATED", "F9 DARK")
        for part in session.panel.parts:
            label = part.label.upper()
            assert tile_rows(eyes, part.name)[0].rstrip(" …") in label, part.name
        assert all(len(row) == 80 for row in eyes.rows())


async def test_a_switch_shows_its_state_by_shape_and_word_and_large() -> None:
    session = OnBoards()
    async with console(session) as eyes:
        await eyes.until(lambda: tile_rows(eyes, "battery")[1].split() == ["▄", "off"])
        session.moved("power", sw_batt=1)
        await eyes.until(lambda: tile_rows(eyes, "battery")[1].split() == ["▀", "on"])
        # The control last touched, name and state, in glyphs five rows high, on the rows above the keys.
        from benchcon.console import glyphs

        large = eyes.rows()[18:23]
        for text in ("BATTERY", "ON"):
            faces = [glyphs.drawn(text, face) for face in glyphs.FACES]
            assert any(all(wanted.strip() in row for row, wanted in zip(large, rows, strict=True)) for rows in faces)


async def test_what_a_key_lights_stands_in_large_letters_until_a_control_moves() -> None:
    from benchcon.console.face import Face
    from benchcon.console.touched import Touched

    session = OnBoards()
    async with console(session) as eyes:

        def large(name: str, state: str) -> bool:
            big = eyes.app.screen.query_one(Touched).big
            return big is not None and big[:2] == (name, state)

        session.moved("power", sw_batt=1)
        await eyes.until(lambda: large("Battery", "on"), "the switch")
        eyes.app.screen.query_one(Face).select("crosswind")
        await eyes.press("space")
        await eyes.until(lambda: large("Crosswind", "on"), "the lamp")
        await eyes.press("minus")
        await eyes.until(lambda: large("Crosswind", "95 %"), "its level")
        session.moved("power", sw_batt=0)
        await eyes.until(lambda: large("Battery", "off"), "the switch again")


async def test_a_lamp_shows_its_level_and_whether_it_is_lit() -> None:
    session = OnBoards()
    async with console(session) as eyes:
        assert tile_rows(eyes, "stop_bar_lit")[1].split() == ["○", "off"]
        session.bench.set_lamp(session.source("lighting"), "l_stop", 450)
        await eyes.until(lambda: tile_rows(eyes, "stop_bar_lit")[1].split() == ["●", "45", "%"])


async def test_a_display_is_drawn_in_segments_with_its_point() -> None:
    session = OnBoards()
    async with console(session, (80, 24)) as eyes:
        session.bench.set_display(session.source("met"), "d_qnh", encode("1013.2", 5))
        eyes.app.no_color = True  # only what is lit is drawn then
        await eyes.until(
            lambda: (
                tile_rows(eyes, "pressure")[1:]
                == [
                    "  █ █▀█   █ ▀▀█ ▀▀█ ",
                    "  █ █ █   █ ▀▀█ █▀▀ ",
                    "  ▀ ▀▀▀   ▀ ▀▀▀▗▀▀▀ ",
                ]
            )
        )


async def test_lamps_on_off_up_down_and_blink_from_the_keyboard() -> None:
    session = OnBoards()
    source = session.source("met")
    asked = session.bench.asked
    async with console(session) as eyes:
        await eyes.press("right", "right")
        await eyes.see("On/off", "Blink")
        await eyes.press("space")
        await eyes.until(lambda: asked[-1] == (source, ("set", "l_xwind=3E8")))
        await eyes.press("minus", "minus")
        await eyes.until(lambda: asked[-1] == (source, ("set", "l_xwind=384")))
        await eyes.until(lambda: tile_rows(eyes, "crosswind")[1].split() == ["●", "90", "%"])
        await eyes.press("plus")
        await eyes.until(lambda: asked[-1] == (source, ("set", "l_xwind=3B6")))
        await eyes.press("space")
        await eyes.until(lambda: asked[-1] == (source, ("set", "l_xwind=000")))
        await eyes.press("b")
        # On a slow machine virtual time runs so much faster that the screen shows a count: it may not flash so often.
        await eyes.until(lambda: any(word in tile_rows(eyes, "crosswind")[1] for word in ("blink", "×")))
        assert session.state.boards[source].channels["l_xwind"].blinking
        await eyes.press("b")
        await eyes.until(lambda: tile_rows(eyes, "crosswind")[1].split() == ["○", "off"])


async def test_type_a_number_and_it_is_on_the_display() -> None:
    session = OnBoards()
    source = session.source("met")
    async with console(session) as eyes:
        await eyes.press("2", "4", "7")
        await eyes.until(lambda: session.bench.asked[-1] == (source, shows("247")))
        await eyes.press("9")  # a fourth figure does not fit: nothing is sent
        await eyes.until(lambda: session.bench.asked[-1] == (source, shows("247")))
        await eyes.press("enter", "plus")
        await eyes.until(lambda: session.bench.asked[-1] == (source, shows("248")))
        await eyes.press("a")
        await eyes.until(lambda: session.bench.asked[-1] == (source, ("set", "d_dir=FFFFFF")))
        await eyes.press("space")
        await eyes.until(lambda: session.bench.asked[-1] == (source, ("set", "d_dir=000000")))
        await eyes.press("space")  # on again, with what it showed
        await eyes.until(lambda: session.bench.asked[-1] == (source, ("set", "d_dir=FFFFFF")))
        await eyes.press("1", "full_stop", "5")
        await eyes.until(lambda: session.bench.asked[-1] == (source, shows("1.5")))
        await eyes.press("minus", "backspace")
        await eyes.until(lambda: session.bench.asked[-1] == (source, shows("-1.")))


async def test_a_number_that_is_done_stands_as_the_panel_file_has_it() -> None:
    session = OnBoards()
    source = session.source("met")
    async with console(session) as eyes:
        await eyes.press("4", "7")  # the format of the wind's direction is "000"
        await eyes.until(lambda: session.bench.asked[-1] == (source, shows("47")))
        await eyes.press("enter")
        await eyes.until(lambda: session.bench.asked[-1] == (source, shows("047")))
        await eyes.press("5", "tab")  # to go elsewhere is to be done as well
        assert (source, shows("005")) in session.bench.asked
        await eyes.press("shift+tab", "1", "full_stop", "4", "full_stop", "2", "enter")  # no number: as it was typed
        await eyes.until(lambda: session.bench.asked[-1] == (source, shows("1.4.2")))


async def test_esc_puts_back_what_stood_there_before_a_number_was_begun() -> None:
    session = OnBoards()
    source = session.source("met")
    async with console(session) as eyes:
        await eyes.press("2", "4", "7", "enter", "1", "3")
        await eyes.until(lambda: session.bench.asked[-1] == (source, shows("13")))
        await eyes.see("Esc Put back")
        await eyes.press("escape")
        await eyes.until(lambda: session.bench.asked[-1] == (source, shows("247")))
        await eyes.gone("Esc Put back")
        await eyes.press("plus")
        await eyes.until(lambda: session.bench.asked[-1] == (source, shows("248")))


async def test_a_blank_display_steps_from_the_number_that_was_there_last() -> None:
    session = OnBoards()
    source = session.source("met")
    async with console(session) as eyes:
        before = len(session.bench.asked)
        await eyes.press("minus")  # it never showed a number: nothing lights, and it is said why
        await eyes.notified("type one")
        assert len(session.bench.asked) == before
        await eyes.press("2", "4", "7", "enter", "space", "minus")
        await eyes.until(lambda: session.bench.asked[-1] == (source, shows("247")))
        await eyes.press("minus")
        await eyes.until(lambda: session.bench.asked[-1] == (source, shows("246")))
        await eyes.press("a", "plus")
        await eyes.until(lambda: session.bench.asked[-1] == (source, shows("246")))


async def test_without_a_panel_file_a_switch_and_its_lamp_of_one_label_are_told_apart() -> None:
    session = OnBoards(Panel(), simulated=False)
    session.link(1, "opened", port="simulated:lighting")
    session.exchange(1, ("hello",), ("hello", "01", "03", "0080", "0007", "desk"))
    session.link(1, "ident", ident="desk")
    session.exchange(1, ("item", "00"), ("item", "00", "board", "ident=desk", "name=Desk"))
    session.exchange(1, ("item", "01"), ("item", "01", "contact", "sw_rwy", "label=Runway%20edge"))
    session.exchange(1, ("item", "02"), ("item", "02", "lamp", "l_rwy", "label=Runway%20edge"))
    async with console(session) as eyes:  # not read yet: no shape tells them apart either
        await eyes.see("RUNWAY EDGE L_RWY", "RUNWAY EDGE SW_RWY")


async def test_a_simulated_control_is_worked_from_the_console_and_marked() -> None:
    session = OnBoards()
    async with console(session) as eyes:
        eyes.app.screen.query_one("#face").select("battery")  # type: ignore[attr-defined]
        await eyes.press("space")
        await eyes.until(lambda: tile_rows(eyes, "battery")[1].split() == ["▀", "on"])
        eyes.app.screen.query_one("#face").select("standby")  # type: ignore[attr-defined]
        await eyes.until(lambda: "off" in tile_rows(eyes, "standby")[1])  # where it begins
        await eyes.press("minus")
        await eyes.until(lambda: "auto" in tile_rows(eyes, "standby")[1])
        await eyes.press("plus")
        await eyes.until(lambda: "off" in tile_rows(eyes, "standby")[1])
        await eyes.press("plus")
        await eyes.until(lambda: "on" in tile_rows(eyes, "standby")[1])
        eyes.app.screen.query_one("#face").select("lamp_test")  # type: ignore[attr-defined]
        await eyes.press("space")
        await eyes.until(lambda: "pressed" in tile_rows(eyes, "lamp_test")[1])
        await eyes.press("space")
        await eyes.until(lambda: "released" in tile_rows(eyes, "lamp_test")[1])
        assert sum("SIMULATED" in row for row in eyes.rows()[1:]) == 0  # on all or on none: here not each has room
        assert "SIMULATED" in eyes.rows()[0]
    async with console(session, (100, 30)) as eyes:
        await eyes.until(lambda: sum("SIMULATED" in row for row in eyes.rows()[1:]) == 3, "each board marked")


async def test_a_real_control_cannot_be_worked_from_here() -> None:
    session = OnBoards(simulated=False)
    async with console(session) as eyes:
        eyes.app.screen.query_one("#face").select("battery")  # type: ignore[attr-defined]
        await eyes.press("space", "plus")
        await eyes.gone("Next position")
        assert "SIMULATED" not in eyes.text()
        assert session.state.boards[session.source("power")].channels["sw_batt"].value == 0


async def test_the_mouse_selects_and_acts() -> None:
    session = OnBoards()
    async with console(session) as eyes:
        await eyes.click("CROSSWIND")
        await eyes.click("CROSSWIND")
        await eyes.until(lambda: session.bench.asked[-1] == (session.source("met"), ("set", "l_xwind=3E8")))
        await eyes.click("Links")
        await eyes.see("round trip", "bad checks")
        await eyes.click("F9 DARK")
        await eyes.see("◐ DARK")


# --- what is not known ----------------------------------------------------------------------------------------------


async def test_a_silent_board_is_shown_as_not_known() -> None:
    session = OnBoards()
    met = session.source("met")
    async with console(session, (140, 45)) as eyes:
        session.bench.set_lamp(met, "l_xwind", 1000)
        await eyes.until(lambda: "on" in tile_rows(eyes, "crosswind")[1])
        session.stop("met")
        session.wait(5.0)
        await eyes.until(lambda: "? silent" in eyes.text(), "the silent board")
        assert tile_rows(eyes, "crosswind")[1].split() == ["?", "not", "known"]
        assert "not known" in tile_rows(eyes, "pressure")[2]
        assert "on" not in tile_rows(eyes, "crosswind")[1].replace("not known", "")
        assert tile_rows(eyes, "battery")[2].split()[-1] == "off"  # the others are as they were
        session.resume("met")
        await eyes.until(lambda: "not known" not in eyes.text())


@pytest.mark.parametrize(
    ("word", "why", "told"),
    [
        ("lost", "unplugged", "✕ lost"),
        ("released", "by the user", "– released"),
        ("foreign", "does not speak the line protocol", "≠ not the line protocol"),
    ],
)
async def test_how_a_port_stands_is_said_in_words(word: str, why: str, told: str) -> None:
    session = OnBoards()
    async with console(session) as eyes:
        session.bench.unplug("power", word, why)
        await eyes.see(told)
        await eyes.press("f5", "down", "down")
        await eyes.see(told)


async def test_a_port_without_a_board_is_in_words_on_the_screen() -> None:
    session = OnBoards()
    session.bench.more_ports = [
        PortInfo("/dev/ttyUSB7", "foreign", "does not speak the line protocol: “G28 X0”", 0, "", 9600)
    ]
    async with console(session) as eyes:
        await eyes.see("! /dev/ttyUSB7: does not speak the line protocol")
        await eyes.press("f5")
        await eyes.press(*["down"] * 3)
        await eyes.see("≠ not the line protocol", "9600 baud")


async def test_the_chosen_port_stays_chosen_when_another_goes() -> None:
    session = OnBoards()
    session.bench.more_ports = [
        PortInfo(f"/dev/ttyUSB{number}", "foreign", "does not speak the line protocol", 0, "", 9600)
        for number in (7, 8)
    ]
    async with console(session, (100, 50)) as eyes:
        await eyes.press("f5", *["down"] * 4)
        await eyes.see("▌/dev/ttyUSB8")
        del session.bench.more_ports[0]
        await eyes.gone("/dev/ttyUSB7 ─")
        await eyes.see("▌/dev/ttyUSB8")
        await eyes.press("l")
        assert session.bench.ports_worked == [("release", "/dev/ttyUSB8")]


@pytest.mark.parametrize("size", [(80, 24), (80, 30), (80, 40)])
async def test_a_long_notice_is_whole_in_two_rows_and_the_large_letters_stay(size: tuple[int, int]) -> None:
    session = OnBoards()
    text = "/dev/serial/by-id/usb-adapter-0001: released; reopen it when the other program is done"
    async with console(session, size) as eyes:
        session.moved("lighting", sw_app=1)
        await eyes.until(lambda: "on" in tile_rows(eyes, "approach")[1])
        session.bench.more_ports = [PortInfo("/dev/ttyUSB7", "waiting", "/dev/ttyUSB7 is in use", 0, "", 0)]
        await eyes.see("! /dev/ttyUSB7 is in use")
        before = eyes.rows()
        port, _, why = text.partition(": ")
        session.bench.more_ports = [PortInfo(port, "released", why, 0, "", 0), *session.bench.more_ports]
        whole = f"! {text} and 1 more: F5"
        await eyes.until(lambda: whole in " ".join(" ".join(eyes.rows()).split()), "the whole of it")
        changed = [y for y, (old, new) in enumerate(zip(before, eyes.rows(), strict=True)) if old != new]
        at = next(y for y, row in enumerate(eyes.rows()) if row.startswith(" ! "))
        assert changed == [at, at + 1]
        session.bench.more_ports.clear()
        await eyes.gone("released; reopen")


@pytest.mark.parametrize(
    ("size", "letters"),
    [((80, 24), 2), ((80, 24), 1), ((80, 23), 0), ((80, 16), 0), ((48, 24), 0), ((40, 12), 0), ((60, 8), 0)],
)
async def test_a_long_notice_never_loses_what_to_do(size: tuple[int, int], letters: int) -> None:
    """`letters`: how often z makes the large letters smaller, so that there is no free row above them."""
    session = OnBoards()
    why = "released; reopen it when the other program is done"
    async with console(session, size) as eyes:
        await eyes.press(*["z"] * letters)
        session.bench.more_ports = [PortInfo("/dev/serial/by-id/usb-adapter-0001", "released", why, 0, "", 0)]
        session.bench.more_ports.append(PortInfo("/dev/ttyUSB7", "waiting", "/dev/ttyUSB7 is in use", 0, "", 0))
        do = why if size[1] >= 12 else "the other program is done"
        await eyes.until(lambda: f"{do} and 1 more: F5" in " ".join(" ".join(eyes.rows()).split()), "what to do")


@pytest.mark.parametrize("size", [(80, 24), (80, 16), (100, 30), (140, 45)])
async def test_nothing_moves_when_a_notice_comes(size: tuple[int, int]) -> None:
    session = OnBoards()
    async with console(session, size) as eyes:
        await eyes.see("WEATHER DESK")
        before = eyes.rows()
        session.bench.more_ports = [PortInfo("/dev/ttyUSB7", "waiting", "/dev/ttyUSB7 is in use", 0, "", 0)]
        await eyes.see("! /dev/ttyUSB7 is in use")
        changed = [(old, new) for old, new in zip(before, eyes.rows(), strict=True) if old[:99] != new[:99]]
        assert [new.split()[:2] for _, new in changed] == [["!", "/dev/ttyUSB7"]], changed


async def test_the_desks_keep_their_headings_when_one_is_lost() -> None:
    session = OnBoards()
    async with console(session) as eyes:
        await eyes.see("WEATHER DESK ● live", "LIGHTING DESK ●", "POWER DESK ● live")
        session.lost("lighting")
        await eyes.see("LIGHTING DESK ✕")


@pytest.mark.parametrize("size", [(80, 24), (60, 24), (60, 16), (140, 45)])
async def test_a_mark_beside_a_desk_s_name_has_words_or_the_key_that_gives_them(size: tuple[int, int]) -> None:
    session = OnBoards()
    async with console(session, size) as eyes:
        for board in session.fingers:
            with session.unheard(board):
                session.says(board, "hello")
            session.says(board, "hello")
        await eyes.see("◍")
        headings = [row for row in eyes.rows()[1:] if "◍" in row]
        assert not [row for row in headings if re.search(r"◍(?! lines lost| F5)", row)]


async def test_a_stranger_s_text_never_reaches_the_terminal_as_codes_or_markup() -> None:
    session = OnBoards(Panel(), simulated=False)
    session.bench.more_ports = [PortInfo("/dev/ttyUSB0", "live", "", 1, "odd", 115_200)]
    session.link(1, "opened", port="simulated:lighting")
    session.exchange(1, ("hello",), ("hello", "01", "02", "0080", "0007", "odd"))
    session.link(1, "ident", ident="odd")
    session.exchange(1, ("item", "00"), ("item", "00", "board", "name=%1B[2J[bold]odd"))
    session.exchange(1, ("item", "01"), ("item", "01", "lamp", "l1", "label=%1B]0;gone%07[red]x[/red]%0A"))
    session.exchange(1, ("read", "all"), ("read", "FFFF", "00000000", "00", "l1=000"))
    session.notification(1, "alive", "0007", "0000", "0000", "0000", "01F4", "1388", "02")
    async with console(session) as eyes:
        session.noise(1, b"\x1b[31mred\x07")
        await eyes.see("\\X1B")
        await eyes.press("f4")
        await eyes.see("\\x1B[31mred\\x07")
        await eyes.press("f5")
        await eyes.see("[BOLD]ODD")
        assert not any(ord(letter) < 32 or 0x7F <= ord(letter) < 0xA0 for row in eyes.rows() for letter in row)


async def test_without_a_panel_file_the_channels_are_a_plain_list_that_can_be_worked() -> None:
    session = OnBoards(shown=Panel(), simulated=False)
    async with console(session) as eyes:
        await eyes.see("RUNWAY EDGE SW_RWY", "RUNWAY EDGE L_RWY", "CROSSWIND", "PRESSURE SET")
        eyes.app.screen.query_one("#face").select("met.l_xwind")  # type: ignore[attr-defined]
        await eyes.press("space")
        await eyes.until(lambda: session.bench.asked[-1] == (session.source("met"), ("set", "l_xwind=3E8")))


# --- dark -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("before", [[], ["f1"], ["m"], ["ctrl+p"], ["f4", "slash"], ["n"], ["r"], ["n", "enter"]])
async def test_dark_in_one_key_from_every_screen(before: list[str], tmp_path: Path) -> None:
    session = OnBoards()
    async with console(session) as eyes:
        await eyes.press(*before)
        await eyes.press("f9")
        assert [words for _, words in session.bench.asked[-3:]] == [("dark",)] * 3
        assert all(board.dark for board in session.state.boards.values())


async def test_dark_is_confirmed_and_light_ends_it() -> None:
    session = OnBoards()
    async with console(session) as eyes:
        session.bench.set_lamp(session.source("met"), "l_xwind", 1000)
        await eyes.press("f9")
        await eyes.see("◐ DARK", "confirmed by every board", "F12 End dark")
        assert tile_rows(eyes, "crosswind")[1].split() == ["○", "dark"]
        await eyes.press("f8", "f10")
        assert all(board.dark for board in session.state.boards.values())
        await eyes.press("f12")
        await eyes.gone("◐ DARK")
        await eyes.notified("Dark has ended. It restores nothing")
        await eyes.gone("Dark, confirmed")
        assert tile_rows(eyes, "crosswind")[1].split() == ["○", "off"]


async def test_dark_left_by_an_earlier_program_is_ended_once_and_later_dark_is_not() -> None:
    session = OnBoards()
    session.bench.dark()
    async with console(session) as eyes:
        session.wait(1.0)  # a heartbeat says that it is dark
        await eyes.until(lambda: not any(board.dark for board in session.state.boards.values()))
        session.goes_dark("met")
        await eyes.see("◐ dark")
        session.wait(1.0)
        await eyes.pilot.pause(0.3)
        assert session.state.boards[session.source("met")].dark


async def test_dark_not_confirmed_is_shouted_with_the_board_s_name() -> None:
    session = OnBoards()
    session.stop("met")
    async with console(session) as eyes:
        session.bench.frame_us = 0
        await eyes.press("f9")
        await eyes.pilot.pause(0.1)
        assert "NOT CONFIRMED" not in eyes.text()
        session.wait(0.499)
        await eyes.pilot.pause(0.1)
        assert "NOT CONFIRMED" not in eyes.text()
        session.wait(0.002)
        await eyes.see("NOT CONFIRMED", "PULL THE PLUG: met", "F9 DARK")
        assert len([row for row in eyes.rows() if "█" in row]) >= 10  # and in letters five rows high, twice
        # Asked again and heard this time, the shout goes.
        session.bench.frame_us = FRAME_US
        session.resume("met")
        await eyes.press("f9")
        await eyes.gone("NOT CONFIRMED")
        await eyes.see("◐ DARK")


async def test_the_shout_goes_also_from_under_the_help_that_was_opened_on_it() -> None:
    session = OnBoards()
    session.stop("met")
    async with console(session) as eyes:
        await eyes.press("f9")
        session.wait(0.501)
        await eyes.see("NOT CONFIRMED")
        await eyes.press("f1")
        await eyes.see("Dark was not confirmed")
        session.resume("met")
        await eyes.press("f9")
        await eyes.see("◐ DARK")
        await eyes.gone("NOT CONFIRMED")
        await eyes.press("escape")
        await eyes.see("◐ DARK")


async def test_a_refusal_is_told_in_words() -> None:
    session = OnBoards()
    async with console(session) as eyes:
        session._side("met").dark = True  # and it has not said so
        await eyes.press("right", "right", "space")
        await eyes.see("refused: dark is on")


# --- views ----------------------------------------------------------------------------------------------------------


async def test_the_raw_view_shows_pin_levels_counts_and_changes() -> None:
    session = OnBoards()
    async with console(session, (140, 45)) as eyes:
        await eyes.press("f3")
        session.moved("power", volts=900)
        session.wait(2)
        session.moved("power", volts=0x155)
        row = await row_with(eyes, "volts")
        assert "33 %, 341" in row
        least, most, changes = map(int, row.split()[8:11])
        assert (least, most) == (0, 900), row
        assert changes >= 2, row
        session.wait(2)
        await eyes.until(
            lambda: re.search("▆.?▃", row_of(eyes, " volts ")) is not None, "a curve that falls from 900 to 341"
        )
        session.moved("met", unit=1)
        await eyes.until(lambda: "low" in row_of(eyes, " unit ") and "made" in row_of(eyes, " unit "))
        assert "made" in row_of(eyes, " int1 ")
        assert "Intensity: 1" in row_of(eyes, " int1 ")
        assert "Intensity: 2" in row_of(eyes, " int2 ")
        assert "open" in row_of(eyes, " int2 ")
        await eyes.press("e")
        assert session.bench.asked[-1][1][0] == "raw"


def row_of(eyes: Eyes, text: str) -> str:
    return next(row for row in eyes.rows() if text in row)


async def row_with(eyes: Eyes, text: str) -> str:
    await eyes.until(lambda: any("341" in row and text in row for row in eyes.rows()), text)
    return next(row for row in eyes.rows() if text in row)


async def test_events_with_filter_and_pause() -> None:
    session = OnBoards()
    async with console(session) as eyes:
        await eyes.press("f4")
        session.moved("power", sw_main=0)
        session.moved("power", sw_main=1)
        session.moved("lighting", sw_app=1)
        await eyes.see("Mains (sw_main) = on", "Approach (sw_app) = on")
        await eyes.press("slash")
        await eyes.paste("mains")
        await eyes.press("enter")
        await eyes.gone("Approach (sw_app)")
        await eyes.see("only: mains", "Mains (sw_main) = on")
        await eyes.press("escape")
        await eyes.see("Approach (sw_app) = on")
        await eyes.press("space")
        session.moved("power", sw_batt=1)
        await eyes.see("PAUSED, 1 newer")
        assert "sw_batt" not in eyes.text()
        await eyes.press("end")
        await eyes.see("Battery (sw_batt) = on")


async def test_a_lamp_that_blinks_is_one_entry_with_a_count() -> None:
    session = OnBoards()
    met = session.source("met")
    async with console(session, (140, 45)) as eyes:
        await eyes.press("f4")
        for turn in range(40):
            session.bench.set_lamp(met, "l_xwind", 1000 * (turn % 2 == 0))
            if turn == 20:
                session.moved("power", sw_batt=1)
            session.wait(0.5)
        last = re.compile(r"39× Crosswind \(l_xwind\) to 0 %, until 0:00:(19|2\d)\.")  # later, the slower it opened
        await eyes.until(lambda: last.search(eyes.text()) is not None)
        await eyes.see("Battery (sw_batt) = on")
        assert sum("Crosswind" in row for row in eyes.rows()) == 2  # on, then all that follows
        # Another level, when something else has happened since: an entry of its own, in its place.
        session.bench.set_lamp(met, "l_xwind", 300)
        await eyes.until(lambda: "Crosswind (l_xwind) to 30 %" in eyes.text())
        session.wait(10.0)
        session.bench.set_lamp(met, "l_xwind", 300)
        await eyes.until(lambda: eyes.text().count("Crosswind (l_xwind) to 30 %") == 2)


async def test_every_entry_of_the_list_of_events_has_words() -> None:
    session = OnBoards()
    async with console(session, (140, 45)) as eyes:
        await eyes.press("f9")
        await eyes.see("all outputs off, and h")  # beside the face as well, where no sort stands before it
        await eyes.press("f4", "f12")
        await eyes.see("dark ends; outputs stay off")
        session.says("met", "dark", "deadman")
        session.says("met", "lost", "0012")
        session.says("met", "skip", "enc_qnh=0003")
        session.says("power", "ghost", "sw_main")
        session.bench.note("mark", "")
        session.link(session.source("met"), "held", channel="l_xwind", why="flash", times="4")
        session.link(session.source("met"), "blink", channel="l_xwind", on="1")
        await eyes.see(
            "went dark by itself: the dead-man",
            "drop 18 notifications",
            "3 invalid transitions",
            "a ghost",
            "a mark without",
            "Crosswind (l_xwind) held back: more than three flashes a second",
            "Crosswind (l_xwind) blinks",
        )


async def test_a_switch_on_several_contacts_is_told_by_its_positions() -> None:
    session = OnBoards()
    async with console(session, (140, 45)) as eyes:
        await eyes.press("f4")
        session.says("lighting", "is", "int1=0", "int3=1")
        await eyes.see("Intensity (int1) leaves 1, Intensity (int3) = 3")


async def test_a_coded_contact_is_told_as_made_or_open_because_alone_it_says_no_position() -> None:
    text = """
[boards.b]
[controls.duty]
kind = "switch"
positions = ["off", "pump 1", "pump 2", "both"]
code = "gray"
channels = ["m1", "m0"]
"""
    session = OnBoards(loads(text))
    async with console(session, (140, 45)) as eyes:
        session.says("b", "is", "m0=1")
        session.says("b", "is", "m1=1")
        await eyes.see("Duty m0 = made", "Duty m1 = made")
        await eyes.press("f4")
        await eyes.see("Duty (m0) = made", "Duty (m1) = made")
        assert "both" not in eyes.text()


async def test_links_tell_what_went_wrong_on_the_way() -> None:
    session = OnBoards()
    async with console(session) as eyes:
        await eyes.press("f5")
        await eyes.see("bad checks 0", "gaps 0")
        session.noise(session.source("lighting"), b"!0000 0000")
        with session.unheard("lighting"):
            for _ in range(3):
                session.says("lighting", "ghost", "sw_app")
        await eyes.see("bad checks 1", "gaps 3", "round trip 0.0 ms", "supply 5.00 V")
        await eyes.press("l")
        assert session.bench.ports_worked[-1] == ("release", "simulated:lighting")
        await eyes.see("released", "Reopen the port")
        await eyes.press("l")
        assert session.bench.ports_worked[-1] == ("reopen", "simulated:lighting")


async def test_ports_that_begin_alike_are_told_apart_at_their_end_and_firmware_is_whole(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    from benchcon.link import discovery
    from benchcon.link.discovery import PortFound

    found = [PortFound(f"/tmp/a-folder-of-mine/boards/{name}", "", "", "", "", "", False, "", "") for name in "xyz"]
    monkeypatch.setattr(discovery, "find_ports", lambda running=(): found)
    async with console(OnBoards()) as eyes:
        await eyes.press("f5")
        await eyes.see("firmware benchcon simulated board 1")
        await eyes.press("o")
        await eyes.see("/boards/x ", "/boards/y ", "/boards/z ")


async def test_a_mark_stands_where_the_key_was_hit_and_its_words_follow() -> None:
    session = OnBoards()
    async with console(session) as eyes:
        session.bench.frame_us = 0
        at_us = session.at_us
        await eyes.press("m")
        session.wait(3.0)
        await eyes.paste("chatter")
        await eyes.press("enter")
        await eyes.press("f6")
        await eyes.until(lambda: eyes.app.model.history.marks == [(at_us, "mark 1: chatter")], "the mark")


async def test_a_trigger_is_said_when_it_fires() -> None:
    session = OnBoards()
    async with console(session) as eyes:
        session.bench.note("trigger", "chatter: Mains changed 9 times in 50 ms")
        await eyes.see("trigger: chatter: Mains")
        await eyes.press("f4")
        await eyes.see("Mains changed 9 times")


async def test_an_expectation_that_is_broken_is_said_and_is_no_trigger() -> None:
    session = OnBoards()
    async with console(session) as eyes:
        session.bench.note("expectation", "Crosswind is lit; expected: Crosswind out when Wind speed below 16 kt")
        await eyes.see("Crosswind is lit; expected: Crosswind out")
        assert not any("trigger" in row for row in eyes.rows())
        await eyes.press("f4")
        await eyes.see("Crosswind is lit; expected")


async def test_keys_fit_on_80_columns_and_help_has_them_all() -> None:
    session = OnBoards()
    async with console(session) as eyes:
        await eyes.see("F1 Help", "F9 DARK")
        await eyes.press("f1")
        await eyes.see("Keys", "Everywhere", "↑ ↓ Scroll", "PgUp PgDn Page", "Esc Back")
        text = eyes.app.screen._text().plain  # type: ignore[attr-defined]
        for words in (
            "DARK",
            "End dark",
            "Record",
            "Mark",
            "Name by hand",
            "Blink",
            "All segments",
            "Filter",
            "Reopen the port",
            "history 3:20",
            "dead-man",
            "worst loop",
            "held back",
            "gaps",
        ):
            assert words in text
        # Keys are written as they stand on the keyboard, and each once for each kind of part.
        keys = [row[2:26] for row in text.partition("What it shows")[0].splitlines() if row.startswith("  ")]
        for face in " ".join(keys).split():
            assert len(face) == 1 or face[0].isupper() or face[0] in "^0", face
        lamp, display = (text.partition(f"Face: a {kind}\n")[2].partition("\n\n")[0] for kind in ("lamp", "display"))
        for kind in (lamp, display):
            assert kind.count("Space") == 1
        assert "↑  ↓  ←  →" in text
        await eyes.press("escape")
        await eyes.gone("Everywhere")


async def test_notices_keep_out_of_the_way_of_a_question() -> None:
    session = OnBoards()
    async with console(session) as eyes:
        await eyes.press("r")
        await eyes.see("Record into")
        before = eyes.rows()
        eyes.app.tell("a lamp was held back " * 10, "warning")
        await eyes.see("a lamp was held back")
        covered = [y for y, (row, old) in enumerate(zip(eyes.rows(), before, strict=True)) if row != old]
        assert covered == [21, 22]  # they have two rows above the keys, and nothing else is covered
        await eyes.press("escape", "f1")
        await eyes.see("Everywhere", "a lamp was held back")
        assert "held" not in "".join(eyes.rows()[:-3])


async def test_a_control_of_the_real_panel_says_why_a_key_does_nothing() -> None:
    session = OnBoards(simulated=False)
    async with console(session) as eyes:
        eyes.app.screen.query_one("#face").select("mains")  # type: ignore[attr-defined]
        await eyes.press("space")
        await eyes.notified("Mains is a control of the real panel: only a hand can move it")


async def test_the_command_palette_does_what_the_keys_do() -> None:
    session = OnBoards()
    async with console(session) as eyes:
        await eyes.press("right", "right", "ctrl+p")
        await eyes.paste("on/off")
        await eyes.see("On/off")
        await eyes.press("enter")
        await eyes.until(lambda: ("set", "l_xwind=3E8") in [words for _, words in session.bench.asked])


async def test_the_command_palette_opens_what_has_no_key_here() -> None:
    async with console(OnBoards()) as eyes:
        for typed, told, seen in (
            ("wiggle test", "what drops out when the loom is flexed", "flex the loom"),
            ("open a port", "lists the ports of this machine", "Which ports should be opened?"),
        ):
            await eyes.press("ctrl+p", *typed)
            await eyes.see(told)
            await eyes.press("down", "enter")
            await eyes.see(seen)
            await eyes.press("escape")
            await eyes.gone(seen)


async def test_the_command_palette_finds_parts_and_ports() -> None:
    session = OnBoards()
    async with console(session) as eyes:
        await eyes.press("f5", "ctrl+p")
        await eyes.paste("battery low")
        await eyes.see("Select: Battery low")
        await eyes.press("down", "enter")
        await eyes.until(lambda: eyes.app.screen.query_one("#face").selected == "battery_low")  # type: ignore[attr-defined]
        await eyes.press("ctrl+p")
        await eyes.paste("release simulated:met")
        await eyes.see("Release simulated:met")
        await eyes.press("enter")
        await eyes.until(lambda: ("release", "simulated:met") in session.bench.ports_worked)


# --- naming by hand -------------------------------------------------------------------------------------------------


async def test_move_a_control_and_type_its_name(tmp_path: Path) -> None:
    path = tmp_path / "desk.toml"
    text = load(OSTREY).text
    path.write_text(text)
    session = OnBoards(load(path))
    async with console(session) as eyes:
        await eyes.press("n")
        await eyes.see("Move the control that you want to name")
        session.moved("power", sw_batt=1)
        await eyes.see("What is it called?")
        await eyes.press("ctrl+u")
        await eyes.paste("Shore power")
        await eyes.press("enter")
        await eyes.see("Where does", "mm from the left")
        await eyes.press("shift+right", "enter")
        await eyes.see("SHORE POW")
    new = load(path)
    renamed = control_named(new, "battery")
    assert renamed.label == "Shore power"
    assert [panel and panel.text for panel in session.bench.allowed] == [new.text], "the link's budgets follow"
    assert renamed.place is not None
    assert renamed.place.x_mm == pytest.approx(241, abs=0.11)
    # Everything else in the file is as it was, comments and order included.
    changed = [
        (old, now) for old, now in zip(text.splitlines(), path.read_text().splitlines(), strict=True) if old != now
    ]
    assert len(changed) == 2


async def test_a_lamp_is_lit_while_it_is_named_and_out_afterwards(tmp_path: Path) -> None:
    path = tmp_path / "desk.toml"
    path.write_text(load(OSTREY).text)
    session = OnBoards(load(path))
    async with console(session) as eyes:
        await eyes.press("right", "right", "n", "enter")
        await eyes.see("What is it called?")
        assert session.state.boards[session.source("met")].channels["l_xwind"].value == 1000
        await eyes.press("escape")
        await eyes.until(lambda: session.state.boards[session.source("met")].channels["l_xwind"].value == 0)


async def test_without_a_panel_file_a_first_one_is_offered(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    session = OnBoards(shown=Panel(), simulated=False)
    async with console(session) as eyes:
        await eyes.see("RUNWAY EDGE SW_RWY")
        await eyes.press("n")
        await eyes.see("Move the control")
        session.moved("power", sw_batt=1)
        await eyes.see("What is it called?")
        await eyes.press("ctrl+u")
        await eyes.paste("Mains")
        await eyes.press("enter")
        await eyes.see("Write a first panel file")
        await eyes.press("enter")
        await eyes.see("Where does")
        await eyes.press("enter")
        await eyes.see("MAINS")
    panel = load(tmp_path / "panel.toml")
    assert "Mains" in [part.label for part in panel.controls]
    assert len(panel.boards) == 3


# --- the first run --------------------------------------------------------------------------------------------------


async def test_with_no_port_remembered_the_ports_are_listed_and_asked_for(monkeypatch: pytest.MonkeyPatch) -> None:
    from benchcon.link import discovery
    from benchcon.link.discovery import PortFound

    found = [PortFound("/dev/ttyACM0", "Panel board", "Maker", "", "2341:0043", "1-1", False, "", "")]
    monkeypatch.setattr(discovery, "find_ports", lambda running=(): found)
    session = OnBoards(Panel(), simulated=False)
    async with console(session) as eyes:
        await eyes.see("Which ports should be opened?", "/dev/ttyACM0", "Panel board", "2341:0043")
        await eyes.press("space", "enter")
        await eyes.until(lambda: session.bench.ports_worked == [("open", "/dev/ttyACM0")])


async def test_an_address_typed_is_checked_before_it_is_taken(monkeypatch: pytest.MonkeyPatch) -> None:
    from benchcon.link import discovery

    monkeypatch.setattr(discovery, "find_ports", lambda running=(): [])
    session = OnBoards(Panel(), simulated=False)
    async with console(session) as eyes:
        await eyes.see("Which ports should be opened?", "Esc Back")
        await eyes.press("a")
        for text, told in (
            ("junk", "is not a device path"),
            ("socket://desk", "a network port is written socket://HOST:PORT"),
            ("/dev/null/x", "is not there"),
            ("/etc/passwd", "is not a serial port"),
        ):
            await eyes.press("ctrl+u", *text, "enter")
            await eyes.see(told)
        await eyes.press("ctrl+u", *"socket://desk:7000", "enter")
        await eyes.see("named by you")
        await eyes.press("enter")
        await eyes.until(lambda: session.bench.ports_worked == [("open", "socket://desk:7000")])


async def test_home_and_end_turn_a_simulated_potentiometer_fully_left_and_right() -> None:
    session = OnBoards()
    pot = next(control for control in session.panel.controls if control.name == "bus_volts")
    async with console(session, (140, 45)) as eyes:
        eyes.app.screen.query_one("#face").select("bus_volts")  # type: ignore[attr-defined]
        await eyes.see("Home Fully left", "End Fully right")
        await eyes.see("·····", "0 %, reads 0")  # an empty bar is a bar, and the two numbers are not one
        for key, share, counts in (("end", "100 %", pot.high_count), ("home", "0 %", pot.low_count)):
            await eyes.press(key)
            await eyes.until(
                lambda share=share: any(row.split(",")[0].strip() == share for row in tile_rows(eyes, "bus_volts")),
                f"{counts} counts",
            )


async def test_what_the_link_does_stands_in_the_events_in_words() -> None:
    session = OnBoards()
    source = session.source("met")
    async with console(session, (140, 45)) as eyes:
        session.link(source, "repeat", times="1")
        session.link(source, "asking", port="/dev/ttyACM3")
        await eyes.press("f4")
        await eyes.see("requests asked again, as no answer came: 1", "asking who is on port /dev/ttyACM3")
        assert "times=1" not in eyes.text()
        assert "port=/dev" not in eyes.text()
        await eyes.press("f6", "f1")
        await eyes.see("Previous mark", "Next mark", "Show all of the time there is", "Back to now, and follow it")


async def test_from_the_delays_every_view_is_one_key_away() -> None:
    async with console(OnBoards(), (80, 24)) as eyes:
        for key, seen in (("f3", "int1     165.0"), ("f2", "WEATHER DESK")):
            await eyes.press("f7")
            await eyes.see("control → output")
            await eyes.press(key)
            await eyes.see(seen)
            await eyes.gone("control → output")


async def test_a_display_without_supply_says_so_as_lamps_do() -> None:
    session = OnBoards()
    async with console(session, (140, 45)) as eyes:
        session.fingers["met"].ask("supply", "0")
        await eyes.until(lambda: eyes.text().count("no supply") == 3, "three displays without supply")


async def test_what_a_small_display_said_of_its_supply_goes_with_it() -> None:
    session = OnBoards()
    async with console(session, (80, 24)) as eyes:
        await eyes.see("WIND SPEED")
        before = eyes.rows()[2:5]
        session.fingers["met"].ask("supply", "0")
        at = eyes.rows()[1].index("WIND SPEED")
        await eyes.until(lambda: eyes.rows()[2][at:].split()[0] == "no", "no")
        assert eyes.rows()[3][at:].split()[0] == "supply"
        assert "no supp…" not in eyes.text()
        session.fingers["met"].ask("supply", "5000")
        await eyes.until(lambda: eyes.rows()[2:5] == before, "the displays as they were")


@pytest.mark.parametrize("size", few_of([(80, 24), (140, 45), (200, 60)]))
@pytest.mark.parametrize("view", ["f2", "f3", "f4", "f5", "f6", "f7"])
async def test_a_message_covers_neither_views_nor_heads_nor_letters_nor_keys(size: tuple[int, int], view: str) -> None:
    session = OnBoards()
    async with console(session, size) as eyes:
        session.moved("power", sw_batt=1)
        await eyes.until(lambda: "█" in eyes.rows()[-4], "large letters")
        await eyes.press(view)
        await eyes.pilot.pause(0.2)
        before = eyes.rows()
        eyes.app.tell("the first message")
        eyes.app.tell("the second message")
        await eyes.see("the first message", "the second message")
        after = eyes.rows()
        covered = {y for y, row in enumerate(after) if " message" in row}
        letters = {y for y, row in enumerate(before[-9:], len(before) - 9) if row.count("█") > 4}
        assert len(covered) == 2
        assert not covered & {0, 1, len(before) - 1} | covered & letters
        assert len(letters) == 5 or view == "f7"
        assert after[0].split("history")[0] == before[0].split("history")[0]


async def test_the_wheel_goes_through_lists_zooms_and_turns_what_is_selected() -> None:
    session = OnBoards()
    async with console(session, (140, 45)) as eyes:

        async def turn(name: str, kind: type[MouseScrollUp | MouseScrollDown], x: int, y: int) -> None:
            widget = eyes.app.screen.query_one(f"#{name}")
            event = kind(widget, x, y, 0, 0, 0, False, False, False, widget.region.x + x, widget.region.y + y)
            widget.post_message(event)
            await eyes.settled()

        face = eyes.app.screen.query_one("#face")
        face.select("approach_lit")  # type: ignore[attr-defined]
        session.bench.set_lamp(session.source("lighting"), "l_app", 500)
        await eyes.see("50 %")
        tile = face.layout_now.tile_of("approach_lit")  # type: ignore[attr-defined]
        await turn("face", MouseScrollUp, tile.x + 1, tile.y + 1)
        await eyes.gone("50 %")
        assert "40 %" not in eyes.text()
        await eyes.press("f3")
        raw = eyes.app.screen.query_one("#raw")
        await eyes.until(lambda: raw.chosen.endswith("sw_app"), "the first row")  # type: ignore[attr-defined]
        await turn("raw", MouseScrollDown, 3, 3)
        assert raw.chosen.endswith("sw_rwy")  # type: ignore[attr-defined]
        await turn("raw", MouseScrollUp, 3, 3)
        assert raw.chosen.endswith("sw_app")  # type: ignore[attr-defined]
        await eyes.press("f6")
        await eyes.see("a column is 100 ms")
        await turn("time", MouseScrollUp, 40, 3)
        await eyes.see("a column is 50 ms")
        await turn("time", MouseScrollDown, 40, 3)
        await eyes.see("a column is 100 ms")
