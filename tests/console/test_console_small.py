"""Small screens, messages and help: nothing covers what one looks at, and what one types is always seen."""

from __future__ import annotations

import re
from collections import Counter
from pathlib import Path

import pytest
from console.looking import console, tile_rows
from console.on_boards import OSTREY, OnBoards
from few import few_of
from rich.cells import cell_len
from textual.binding import Binding

from benchcon.console.face import Face
from benchcon.console.help import ABOUT
from benchcon.demo.live import evening
from benchcon.link import PortInfo
from benchcon.panel.file import loads
from benchcon.session import ReplaySession


@pytest.mark.parametrize("size", [(80, 24), (60, 16), (40, 10), (20, 5)])
async def test_the_head_gives_way_part_by_part_and_dark_stays(size: tuple[int, int]) -> None:
    session = OnBoards()
    async with console(session, size) as eyes:
        words = eyes.rows()[0].split()
        for word in ("F2", "Face"):
            assert word in words, eyes.rows()[0]
        await eyes.press("f9")
        await eyes.until(lambda: eyes.rows()[0].rstrip().endswith("◐ DARK"), "DARK in the head")
        left = eyes.rows()[0].rpartition("◐")[0]
        assert left.endswith(" ")  # nothing is written into it


async def test_it_always_says_in_full_that_the_bench_is_simulated(tmp_path: Path) -> None:
    """With a rehearsal there is one view more, and everything that may stand at the right."""
    session = OnBoards()

    run = evening(session, {})
    async with console(session, (80, 24), run) as eyes:
        words = "SIMULATED F2 Face F3 Raw F4 Events F5 Links F6 Time F7 Timing F8 Rehearsal"
        await eyes.until(lambda: eyes.rows()[0].split() == words.split(), "every view by its word")
        await eyes.click("F8 Rehearsal")
        await eyes.until(lambda: eyes.app.screen.view == "rehearsal")  # type: ignore[attr-defined]
        session.start_recording(tmp_path / "night.capture")
        await eyes.press("f9")
        for width in range(160, 39, -13):
            await eyes.pilot.resize_terminal(width, 24)
            await eyes.until(lambda w=width: len(eyes.rows()[0]) == w and "DARK" in eyes.rows()[0])  # type: ignore[misc]
            assert " SIMULATED " in eyes.rows()[0], eyes.rows()[0]
        session.stop_recording()


def narrow(columns: int, rows: int, table: str) -> str:
    """A panel with so many parts of one kind, 20 mm from each other."""
    parts = [
        f'[{table}.p{n}]\nkind = "button"\nlabel = "P{n}"\nchannel = "desk.p{n}"\n'
        f'at = ["{10 + 20 * (n % columns)} mm", "{12 + 20 * (n // columns)} mm"]\n'
        for n in range(columns * rows)
    ]
    text = f'[panel]\nwidth = "{20 * columns} mm"\nheight = "60 mm"\n[boards.desk]\n' + "".join(parts)
    return text if table == "controls" else text.replace('kind = "button"\n', "")


@pytest.mark.parametrize("columns", few_of([6, 8, 9, 10, 11]))
@pytest.mark.parametrize("rows", [1, 2, 3])
async def test_why_a_state_is_not_known_is_never_cut_on_a_narrow_tile(columns: int, rows: int) -> None:
    session = OnBoards(loads(narrow(columns, rows, "lamps")))
    async with console(session, (80, 24)) as eyes:
        session.bench.unplug("desk", "released")
        for name in ("p0", f"p{columns - 1}"):
            await eyes.until(lambda name=name: tile_rows(eyes, name)[1].startswith("?"))  # type: ignore[misc]
            words = " ".join(" ".join(tile_rows(eyes, name)[1:]).replace("?", "").split())
            assert words in ("not known released", "not known", "released", ""), words
        assert "– released" in eyes.text()  # where no tile has room, the board's title says it


@pytest.mark.parametrize(("columns", "up", "down"), [(6, "□ released", "■ pressed"), (9, "□ up", "■ down")])
async def test_a_button_on_a_narrow_tile_says_up_and_down_in_whole_words(columns: int, up: str, down: str) -> None:
    session = OnBoards(loads(narrow(columns, 3, "controls")))
    async with console(session, (80, 24)) as eyes:
        await eyes.until(lambda: tile_rows(eyes, "p0")[1].strip() == up)
        session.moved("desk", p0=1)
        await eyes.until(lambda: tile_rows(eyes, "p0")[1].strip() == down)


async def test_screens_that_light_lamps_say_that_the_bench_is_simulated() -> None:
    async with console(OnBoards()) as eyes:
        for begin, seen in (("match_lamps", "0 of 8 written"), ("walk('wiggle')", "flex the loom")):
            await eyes.app.run_action(begin)
            await eyes.see(seen)
            await eyes.until(lambda: " SIMULATED " in eyes.rows()[0], "that it is simulated")
            await eyes.press("escape")
            await eyes.see("WEATHER DESK")


@pytest.mark.parametrize("size", [(40, 10), (20, 5)])
async def test_what_is_typed_into_a_question_is_seen_on_a_small_screen(size: tuple[int, int]) -> None:
    session = OnBoards()
    async with console(session, size) as eyes:
        await eyes.press("r", "ctrl+u", *"night.cap")
        await eyes.see("Record into", "night.cap")


async def test_a_message_covers_the_row_of_air_and_one_more() -> None:
    session = OnBoards()
    async with console(session) as eyes:
        await eyes.see("0-9 Number")
        before = eyes.rows()
        eyes.app.notify("trigger: a long word " * 12, markup=False, timeout=30)
        await eyes.until(lambda: "trigger" in eyes.rows()[17], "the message")
        assert eyes.rows()[:16] == before[:16]
        assert eyes.rows()[18:] == before[18:]


async def test_tab_goes_on_in_lists_as_it_does_on_the_face() -> None:
    async with console(OnBoards(), (80, 24)) as eyes:
        screen = eyes.app.screen
        for key, view in (("f3", "raw"), ("f5", "links")):
            await eyes.press(key)
            chosen = screen.query_one(f"#{view}").chosen  # type: ignore[attr-defined]
            await eyes.press("tab")
            assert screen.query_one(f"#{view}").chosen != chosen  # type: ignore[attr-defined]
            await eyes.press("shift+tab")
            assert screen.query_one(f"#{view}").chosen == chosen  # type: ignore[attr-defined]
        await eyes.press("f4", "tab")
        await eyes.notified("This is the newest line")


async def test_help_opens_at_the_view_and_names_no_key_twice_in_a_section() -> None:
    session = OnBoards()
    async with console(session) as eyes:
        await eyes.press("f6", "f1")
        await eyes.until(lambda: any(row.strip(" │▐▌").startswith("Time") for row in eyes.rows()[:5]), "the section")
        text = eyes.app.screen._text().plain.partition("What it shows")[0]  # type: ignore[attr-defined]
        for section in text.split("\n\n"):
            keys = Counter(key for row in section.splitlines()[1:] for key in row[2:28].split("  ") if key.strip())
            assert not [key for key, times in keys.items() if times > 1], section


async def test_the_keys_that_are_needed_most_stand_on_80_columns() -> None:
    session = OnBoards()
    async with console(session) as eyes:
        for view in ("f2", "f3", "f4", "f5", "f6"):
            await eyes.press(view)
            await eyes.see("r Record", "m Mark", "k Save", "q Quit")
            assert all(key in eyes.rows()[-1] for key in ("F1 Help", "r Record", "m Mark", "k Save", "q Quit"))


async def test_a_simulated_knob_says_how_it_is_turned() -> None:
    session = OnBoards()
    async with console(session) as eyes:
        eyes.app.screen.query_one("#face").select("pressure_set")  # type: ignore[attr-defined]
        await eyes.press("space")
        await eyes.notified("Pressure set: turn it with + and -")


async def test_boards_that_the_panel_file_does_not_name_are_named_in_a_line() -> None:
    session = OnBoards(shown=loads('[panel]\ntitle = "Other"\n[boards.met]\n[boards.power]\n', "other.toml"))
    async with console(session, (140, 45)) as eyes:
        await eyes.see("lighting is here but not in the panel file")


def test_the_key_that_ends_dark_is_not_beside_the_key_of_dark_and_is_named_rightly_everywhere() -> None:
    from benchcon.console.app import ConsoleApp
    from benchcon.view.dark_keys import DARK, END_DARK

    keys = {binding.action: binding.key.split(",") for binding in ConsoleApp.BINDINGS if isinstance(binding, Binding)}
    assert keys["dark"][0].upper() == DARK
    assert keys["end_dark"][0].upper() == END_DARK
    assert abs(int(DARK[1:]) - int(END_DARK[1:])) > 1
    beside = {"ctrl+s", "ctrl+e", "ctrl+r", "ctrl+f", "ctrl+x", "ctrl+c"}  # round Ctrl-D on the usual layouts
    assert not beside & set(keys["end_dark"])
    assert END_DARK in ABOUT
    readme = (Path(__file__).parents[2] / "README.md").read_text()
    assert f"**{DARK} is dark**" in readme
    assert f"**{END_DARK}** ends dark" in readme


async def test_labels_in_letters_two_cells_wide_move_nothing() -> None:
    session = OnBoards(
        loads(OSTREY.read_text().replace("Weather desk", "気象観測").replace("Runway edge lit", "滑走路灯"))
    )
    async with console(session, (120, 40)) as eyes:
        await eyes.press("f5")
        await eyes.see("気象観測 ───")
        ends = [cell_len(row.rstrip()) for row in eyes.rows() if row.rstrip().endswith("─ ● live")]
        assert ends == [119] * 3, "all end in one column"
        await eyes.press("f2", "v")
        await eyes.see("滑走路灯 ", "LAMP 1 OF 8")
        percents = [cell_len(row.partition("100 %")[0]) for row in eyes.rows() if row.count("100 %") == 3]
        assert len(percents) == 3
        assert len(set(percents)) == 1, "one column"


async def test_neighbours_do_not_touch_where_parts_are_packed_tight() -> None:
    session = ReplaySession(Path(__file__).parents[2] / "captures" / "emulated-desk.capture")
    async with console(session) as eyes:
        await eyes.see("BUS VOLTS", "BRIGHTNESS", "50 %")
        row = next(row for row in eyes.rows() if "50 %" in row)
        assert re.search(r"█\S* +50 % +█\S* +50 %", row), row


@pytest.mark.parametrize("label", few_of(["[/blue]", "[red]x", "[@click=app.bell]x", "a\\", "[", "\\[b]"]))
async def test_the_palette_takes_no_label_for_markup(label: str) -> None:
    told = label.replace("\\", "\\\\")
    text = OSTREY.read_text().replace('"Weather desk"', f'"{told}"').replace('"Crosswind"', f'"{told}"')
    session = OnBoards(loads(text))
    session.bench.more_ports = [PortInfo("/dev/tty[/dim]", "released", "", 0, label, 115_200)]
    async with console(session, (100, 60)) as eyes:
        await eyes.press("ctrl+p")
        await eyes.see(f"Identify: {label} ", "Identify: Power desk")
        await eyes.paste("Reopen")
        await eyes.see("Reopen /dev/tty[/dim] ", f"  {label} ")
        await eyes.press("home", "ctrl+k")
        await eyes.paste(f"Select: {label}")
        await eyes.see(f"Select: {label} ", "crosswind on met")
        await eyes.press("down", "enter")
        await eyes.gone("Select: ")
        face = eyes.app.screen.query_one(Face)
        await eyes.until(lambda: face.part is not None and face.part.name == "crosswind", "the part to be selected")


@pytest.mark.parametrize(
    ("typed", "first"),
    [("soa", "Soak"), ("picture", "Picture of the panel"), ("power", "Identify: Power desk")],
)
async def test_the_palette_puts_what_begins_with_the_word_above_a_port_that_holds_it(typed: str, first: str) -> None:
    session = OnBoards()
    port = "/tmp/power/soak/picture"
    session.bench.more_ports = [PortInfo(port, "foreign", "", 0, "", 115_200)]
    async with console(session, (100, 60)) as eyes:
        await eyes.press("ctrl+p")
        await eyes.paste(typed)
        await eyes.see(f"Release {port}", f"  {first} ")
        text = "\n".join(eyes.rows())
        assert text.index(f" {first} ") < text.index(f"Release {port}")


async def test_the_palette_offers_each_thing_once_by_the_key_that_the_key_line_shows() -> None:
    async with console(OnBoards(), (100, 60)) as eyes:
        titles = [each.title for each in eyes.app.get_system_commands(eyes.app.screen)]
        assert Counter(titles).most_common(1)[0][1] == 1
        assert ("Quit", "key q") in [(each.title, each.help) for each in eyes.app.get_system_commands(eyes.app.screen)]
