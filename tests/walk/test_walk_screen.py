"""The walk in the console: it goes on by itself, asks about lamps and pictures, and keeps what was done."""

from __future__ import annotations

import asyncio
import threading
from pathlib import Path

import pytest
from console.looking import Eyes, console, flowing
from console.on_boards import OSTREY
from textual.binding import BindingsMap
from walk.desks import Desks

from benchcon.console.help import by_kind
from benchcon.console.walk.begin import Signature, keep, last_signed
from benchcon.console.walk.face import WalkFace
from benchcon.console.walk.picture import PictureView
from benchcon.console.walk.screen import WalkScreen
from benchcon.panel.file import loads
from benchcon.report.folder import Folder, read_report
from benchcon.walk import guard, runner
from benchcon.walk.interfaces import Scene
from benchcon.walk.journal import FinishedStep
from benchcon.walk.plan import plan


@pytest.fixture(autouse=True)
def own_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)  # the console asks for a folder's name; it is made where the program runs


async def walking(eyes: Eyes, folder: str, scope: str = "enter") -> WalkScreen:
    await eyes.press("t")
    await eyes.see("Walk: what?")
    await eyes.press(scope)
    await eyes.see("tested in turn")
    await eyes.press("ctrl+u", *folder, "enter")
    await eyes.see("Every lamp and display should be dark now.")
    assert isinstance(eyes.app.screen, WalkScreen)
    return eyes.app.screen


async def test_from_the_first_look_to_a_proved_switch_and_on_again_later(desks: Desks, tmp_path: Path) -> None:
    hand = desks.hands["lighting"]
    async with console(desks.session, (110, 40)) as eyes:
        screen = await walking(eyes, "walked")
        await eyes.until(lambda: screen.listens, "the look")
        await eyes.press("enter")
        await eyes.see("Lamp Approach lit should blink, and no other.")
        await eyes.until(lambda: screen.listens, "the look")
        # The person points at another lamp, thinks better of it, and says that it is dim.
        await eyes.press("right", "p")
        await eyes.see("You see: ", "<, o and i apply to ")
        await eyes.press("p")
        await eyes.gone("You see: ")
        await eyes.see("< Dim", "m Mark")
        await eyes.press("less_than_sign")
        await eyes.see("You see: Approach lit (dim)")
        await eyes.press("enter")
        await eyes.see("Set Approach to on.")
        threading.Timer(0.25, hand.put, ("approach", 1)).start()
        await eyes.see("Set Approach to off.")
        threading.Timer(0.25, hand.put, ("approach", 0)).start()
        await eyes.see("Set Runway edge to on.", "✓ 1 passed", "✗ 1 faulty")
        await eyes.press("n")
        await eyes.see("It is shown beside this part in the report.")
        await eyes.press(*"stiff", "enter")
        await eyes.until(lambda: screen.listens, "the question")
        await eyes.press("s")
        await eyes.see("Set Taxiway to on.")
        await eyes.press("escape")
        await eyes.until(lambda: not isinstance(eyes.app.screen, WalkScreen), "the bench")
    done = Folder(tmp_path / "walked").unfinished(desks.panel)
    assert [(d.group.name, d.how, d.note) for d in done] == [
        ("dark", "done", ""),
        ("approach_lit", "done", ""),
        ("rest", "done", ""),
        ("approach", "done", ""),
        ("runway_edge", "skipped", "stiff"),
    ]


async def test_m_marks_the_moment_in_every_question_and_answers_none(desks: Desks, tmp_path: Path) -> None:
    """It is the key of a mark on the bench, and says nothing about a lamp."""
    async with console(desks.session, (100, 30)) as eyes:
        screen = await walking(eyes, "walked")
        await eyes.until(lambda: screen.listens, "the look")
        for question in ("Every lamp and display should be dark now.", "Lamp Approach lit should blink"):
            await eyes.see(question, "m Mark")
            await eyes.press("m")
            await eyes.see("The moment is marked already.")
            await eyes.press("escape")
            await eyes.gone("The moment is marked already.")
            assert not screen.look.changed
            if question.startswith("Every"):
                await eyes.press("enter")
        assert "You see: " not in eyes.text()


async def test_a_walk_that_goes_on_says_which_since_when_how_far_and_what_was_judged(
    desks: Desks, tmp_path: Path
) -> None:
    done = [FinishedStep(group, [], "skipped") for group in plan(desks.panel)[:6] if group.kind != "clear"]
    parts = sum(each.group.kind in ("control", "lamp", "display") for each in done)
    of = len(desks.panel.parts)
    folder = Folder(tmp_path / "walked")
    folder.open(desks.panel, "2026-03-01T14:02:11+01:00", done)
    folder.close()
    async with console(desks.session, (80, 24)) as eyes:
        await eyes.press("t", "enter")
        begun = f"walked, begun 1 March 2026, 14:02, is continued at part {parts + 1} of {of}."
        said = f"{begun} Judged so far: {parts} skipped."
        await eyes.until(lambda: said in flowing(eyes), "what is gone on with, before it is begun")
        await eyes.press("enter")
        await eyes.until(lambda: isinstance(eyes.app.screen, WalkScreen), "the walk")
        await eyes.until(lambda: said in flowing(eyes), "what is gone on with, at the first step")
        await eyes.press("escape")
        left = "walked holds an unfinished walk; t in the console continues it."
        await eyes.until(lambda: left in flowing(eyes), "what becomes of it, on the bench")
        assert eyes.app.parting == ""
        await eyes.press("t", "enter", "enter")
        await eyes.until(lambda: isinstance(eyes.app.screen, WalkScreen) and eyes.app.screen.scene, "the walk")
        await eyes.press("ctrl+q")  # the program is quit, and the same is left on the terminal
    assert eyes.app.parting == left


async def test_a_lamp_is_named_in_large_letters_on_a_small_screen(desks: Desks) -> None:
    async with console(desks.session, (80, 24)) as eyes:
        screen = await walking(eyes, "walked")
        await eyes.until(lambda: screen.listens, "the look")
        await eyes.press("enter")
        await eyes.see("Enter: correct. Or say what lit instead, or what is wrong with it.", "█████ ███▀▀ ███▀▀")  # App


async def test_the_face_keeps_still_however_much_there_is_to_say(desks: Desks) -> None:
    async with console(desks.session, (80, 24)) as eyes:
        screen = await walking(eyes, "walked")
        face = screen.query_one(WalkFace)
        before = face.region
        scene = screen.scene
        assert scene is not None
        for words in ("One.", "Some words that take more than a row. " * 3, "Words. " * 40):
            screen._remark = words
            screen._hint()
            await eyes.see(words[:20].strip())
            assert face.region == before
        assert "Every lamp and display should be dark now." in eyes.text()


@pytest.mark.slow
async def test_help_over_a_question_is_about_that_question(desks: Desks) -> None:
    async with console(desks.session, (100, 40)) as eyes:
        for keys, title, about in (
            (("t",), "Walk: what?", "Choose a board to test all its parts"),
            (("escape", "t", "enter"), "Walk", "a walk that is interrupted loses nothing"),
            (("escape", "m"), "Mark 1", "however long you type"),
            (("escape", "r"), "Record into", "benchcon replay FILE"),
            (("escape", "n"), "Name by hand", "Move a control on the panel"),
            (("escape", "f4", "slash"), "Filter the events", "Several words must all be in a line."),
            (("escape", "f2"), "", "Every part is drawn where it is on the panel."),
        ):
            await eyes.press(*keys, "f1")
            await eyes.until(lambda text=title: text in flowing(eyes) and "Keys" in eyes.text(), title)
            if about.startswith("Every part"):
                assert eyes.app.screen._text().plain.count(about) == 1  # type: ignore[attr-defined]
            else:
                assert about in flowing(eyes)
                assert "Words on the screen" not in eyes.app.screen._text().plain  # type: ignore[attr-defined]
            await eyes.press("escape")


@pytest.mark.slow
async def test_pictures_are_put_right_segment_by_segment_and_the_report_is_written(
    desks: Desks, tmp_path: Path
) -> None:
    """Everything up to the last display is done already; on that the person sees segment A out in each picture.

    Four pictures first, and because they are odd, eight segments and two digits by themselves.
    """
    folder = Folder(tmp_path / "walked")
    done = [FinishedStep(group, [], "done") for group in plan(desks.panel) if group.name != "wind_speed"]
    folder.open(desks.panel, "before", done)
    folder.close()
    async with console(desks.session, (100, 36)) as eyes:
        await eyes.press("t", "enter")
        await eyes.see("tested in turn")
        await eyes.press("ctrl+u", *"walked", "enter")
        await eyes.see("Display Wind speed should show exactly this.", "should be", "you see")
        screen = eyes.app.screen
        assert isinstance(screen, WalkScreen)
        for _ in range(4 + 8 + 2):
            await eyes.until(lambda: screen.listens, "the look")
            number = screen.scene.number if screen.scene else 0
            view = screen.query_one(PictureView)
            for _ in view.wanted:
                if view.seen[view.digit] & 0x40:
                    await eyes.press("a")
                await eyes.press("right")
            assert all(not byte & 0x40 for byte in view.seen)
            await eyes.press("enter")
            await eyes.until(lambda n=number: screen.scene is None or screen.scene.number != n, "the next")
        await eyes.see("segment A never lights", "Report: open walked/walk.html", "To decide")
    report = read_report(tmp_path / "walked")
    assert [(f["kind"], f["channels"], f["detail"]) for f in report["findings"]] == [
        ("segment dead", ["met.d_spd"], {"segments": ["A"], "digits": []})
    ]
    assert report["counts"]["passed"] == 24


async def test_the_walk_can_be_read_at_80_by_24(desks: Desks) -> None:
    async with console(desks.session) as eyes:
        await eyes.press("t", "enter")
        await eyes.see("tested in turn")
        await eyes.press("ctrl+u", "enter")
        await eyes.see("Every lamp and display should be dark now.")
        screen = eyes.app.screen
        assert isinstance(screen, WalkScreen)
        assert screen.folder is None
        assert any("█" in row for row in eyes.rows()[1:7])
        await eyes.see(
            "Enter Correct",
            "p This is lit",
            "s Skip",
            "u Previous",
            "r Again",
            "w Not wired",
            "n Note",
            "Esc Back",
            "DARK",
        )


@pytest.mark.slow
async def test_crossed_switches_come_out_as_crossed_whether_a_hand_works_them_or_the_space_key(
    desks: Desks, tmp_path: Path
) -> None:
    hand = desks.hands["lighting"]
    hand.fault("crossed", "sw_rwy", "sw_twy")
    async with console(desks.session) as eyes:
        await eyes.press("t")
        await eyes.see("Walk: what?")
        await eyes.press("c")
        await eyes.see("Walk only")
        await eyes.press(*"taxiwy", "enter")
        await eyes.see("did you mean 'taxiway'?")
        await eyes.press("ctrl+u", *"taxiway,Runway edge", "enter")
        await eyes.see("What you chose is tested in turn")
        await eyes.press("ctrl+u", *"walked", "enter")
        await eyes.see("Set Runway edge to on.")
        screen = eyes.app.screen
        assert isinstance(screen, WalkScreen)
        for asked, to, other in [
            (asked, to, other)
            for asked, other in (("Runway edge", "Taxiway"), ("Taxiway", "Runway edge"))
            for _ in range(2)
            for to in ("on", "off")
        ]:
            await eyes.see(f"et {asked} to {to}.")
            await eyes.until(lambda: screen.listens, "the question")
            if to == "off":
                await eyes.see("It reads off already")
            if asked == "Taxiway":
                hand.put("taxiway", int(to == "on"))  # as a person at a real panel does
            else:
                await eyes.press("space")
            await eyes.see(f"{other} moved instead of {asked}.", "Enter That is what it did")
            await eyes.press("enter")
        # The failed ones may be walked again, and where the report is stands there however much is to be read.
        await eyes.see("crossed", "f Retry faulty", "Report: open walked/walk.html in a browser", "✗ 2 faulty")
        report = read_report(tmp_path / "walked")
        assert [(f["kind"], f["channels"]) for f in report["findings"]] == [
            ("crossed", ["lighting.sw_rwy", "lighting.sw_twy"])
        ]
        hand.clear()
        await eyes.press("f")
        await eyes.see("1 of 2", "Set Runway edge to on.")


@pytest.mark.slow
async def test_an_enter_held_down_proves_one_lamp_at_the_most_and_back_takes_the_count_back(
    desks: Desks, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(guard, "STAND_S", 2.0)  # a busy machine may take longer than half a second from see to press
    async with console(desks.session, (100, 36)) as eyes:
        await eyes.press("t")
        await eyes.see("only Power desk (7)")
        await eyes.press("3")
        await eyes.see("What you chose is tested in turn")
        await eyes.press("ctrl+u", "enter")
        await eyes.see("1 of 7", "Every lamp and display should be dark now.")
        screen = eyes.app.screen
        assert isinstance(screen, WalkScreen)
        await eyes.press("enter")
        await eyes.see("Too soon: look first.")
        await eyes.until(lambda: screen.listens, "the question")
        await eyes.press("s")  # all dark is not a part: nothing is left out
        await eyes.see("Lamp Mains fail should blink")
        await eyes.until(lambda: screen.listens, "the look")
        await eyes.hold("enter", 40)
        await eyes.see("✓ 1 passed", "2 of 7")
        assert "3 of 7" not in eyes.text()
        await eyes.press("u")
        await eyes.see("should blink", "SIMULATED", "✓ 0 passed", "1 of 7")
        await eyes.press("f1")
        await eyes.see("Keys")
        rows = [row.strip(" │█▇▆▅▄▃▂▁▀") for row in eyes.rows()]
        told = [row for row in rows[rows.index("Keys") + 1 :] if row]
        assert told[0] == "Walk"  # before the keys of everything else
        inside = [row.rpartition("│ ")[2].strip() for row in rows]  # what stands beside the help is the face
        assert any(row.startswith("s ") and "Skip" in row for row in [*rows, *inside])
        await eyes.press("escape")


@pytest.mark.slow
async def test_what_is_said_of_outputs_that_take_long_goes_as_soon_as_they_are_as_wanted(
    desks: Desks, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(runner, "STUCK_US", 200_000)
    source = next(port.source for port in desks.session.bench.ports() if port.ident == "met")
    for level in (1000, 0) * 5:  # more than is let through; what is held back is over in the end
        await asyncio.to_thread(desks.session.bench.set_lamp(source, "l_xwind", level).result, 5)
    assert desks.session.bench.held_back["flash"]
    async with console(desks.session, (80, 24)) as eyes:
        screen = await walking(eyes, "walked", "3")
        await eyes.until(lambda: screen.listens, "the look")
        desks.hands["power"].fault("delay", by="1500 ms")
        await eyes.press("enter")
        await eyes.see("The outputs are not as wanted yet (no answer). Skip this one if it stays so.")
        assert not eyes.app._notifications  # over the progress and its keys nothing stands
        desks.hands["power"].clear()
        await eyes.see("Lamp Mains fail should blink")
        await eyes.until(lambda: screen.scene is not None and screen.scene.state == "look", "the look")
        assert "not as wanted" not in eyes.text()


@pytest.mark.slow
async def test_outputs_that_need_not_change_are_never_called_late(
    desks: Desks, monkeypatch: pytest.MonkeyPatch
) -> None:
    """However long the question before stood, over which they were as they are."""
    late: list[str] = []
    show = WalkScreen._show

    def shown(screen: WalkScreen, scene: Scene) -> None:
        late.append(scene.late)
        show(screen, scene)

    monkeypatch.setattr(runner, "STUCK_US", 1_000_000)
    monkeypatch.setattr(WalkScreen, "_show", shown)
    async with console(desks.session, (80, 24)) as eyes:
        screen = await walking(eyes, "walked")
        began = screen._thread._runner
        assert began is not None
        await eyes.until(lambda: screen.listens, "the look")
        since = began._now()
        await eyes.until(lambda: began._now() - since > 1_500_000, "a long look")
        await eyes.press("r")
        await eyes.until(lambda: screen.scene is not None and screen.scene.number > 1, "the question again")
        await eyes.until(lambda: screen.listens, "the look")
        assert set(late) == {""}
        assert not eyes.app._notifications


async def test_a_folder_that_cannot_be_written_is_asked_for_again_and_nothing_is_promised(
    desks: Desks, tmp_path: Path
) -> None:
    (tmp_path / "taken").write_text("a file")
    async with console(desks.session) as eyes:
        await eyes.press("t", "enter")
        await eyes.see("Everything is tested in turn")
        await eyes.press("ctrl+u", *"taken/x", "enter")
        await eyes.see("taken/x: cannot be written", "name another folder")
        assert not isinstance(eyes.app.screen, WalkScreen)
        await eyes.press("ctrl+u", *"free", "enter")
        await eyes.see("Every lamp and display should be dark now.")


async def test_on_a_screen_of_ten_rows_the_question_its_keys_and_the_counts_stay(desks: Desks, tmp_path: Path) -> None:
    folder = Folder(tmp_path / "walked")
    done = [
        FinishedStep(group, [], "done")
        for group in plan(desks.panel)
        if group.name not in ("approach_lit", "wind_speed")
    ]
    folder.open(desks.panel, "before", done)
    folder.close()
    async with console(desks.session, (40, 10)) as eyes:
        await eyes.press("t")
        await eyes.see("Enter  everything", "3  only Power desk", "c  only parts")
        await eyes.press("enter")
        await eyes.until(lambda: len(eyes.app.screen.query("#line")) == 1, "the folder")
        await eyes.press("ctrl+u", *"walked", "enter")
        await eyes.see("Lamp Approach lit should blink", "24/25 ✓23 ✗0", "Esc Back")
        await eyes.see("Enter Correct", "x None", "p This is lit", "< Dim", "i Flickers", "s Skip", "DARK")
        await eyes.see("APPR")  # the lamp that is asked about is in view on the face
        screen = eyes.app.screen
        assert isinstance(screen, WalkScreen)
        await eyes.until(lambda: screen.listens, "the look")
        await eyes.press("s")
        await eyes.see("Display Wind speed should show exactly", "you see", "Enter Correct", "a-g Segment", "← → Digit")


@pytest.mark.slow
async def test_what_is_answered_while_a_board_is_away_proves_nothing(desks: Desks) -> None:
    hand = desks.hands["lighting"]
    async with console(desks.session) as eyes:
        await eyes.press("t", "enter")
        await eyes.see("Everything is tested in turn")
        await eyes.press("ctrl+u", "enter")
        screen = await on_the_walk(eyes)
        await eyes.press("enter")
        await eyes.see("Lamp Approach lit should blink")
        await eyes.until(lambda: screen.listens, "the look")
        try:
            hand.unplug()
            await eyes.see("Board 'lighting' is gone")
            await eyes.press("enter", "enter")
        finally:
            hand.replug()
        await eyes.press("enter")
        await eyes.gone("Board 'lighting' is gone")
        await eyes.press("enter")  # at once: nobody can have looked
        await eyes.until(lambda: screen.listens, "the question, asked again")
        await eyes.see("1 of 25", "✓ 0 passed")  # it asks again from hands off and all dark


async def on_the_walk(eyes: Eyes) -> WalkScreen:
    """Wait for the walk's first question, until it may be answered."""
    await eyes.see("Every lamp and display should be dark now.")
    screen = eyes.app.screen
    assert isinstance(screen, WalkScreen)
    await eyes.until(lambda: screen.listens, "the look")
    return screen


async def test_that_the_walk_waits_is_said_no_longer_once_it_is_left(desks: Desks) -> None:
    async with console(desks.session, (140, 45)) as eyes:
        await walking(eyes, "")
        await eyes.press("f9")
        await eyes.notified("dark, or ask again (r), which ends it too; the walk waits for it")
        await eyes.press("escape")
        await eyes.see("F2 Face")
        assert not [each.message for each in eyes.app._notifications if "the walk waits" in each.message]
        await eyes.press("f12")


def test_help_lists_the_keys_of_a_displays_picture_where_they_work() -> None:
    """A to G choose segments there; they work no switch of the face."""
    title = "Walk: a display's picture"
    ((heading, bindings),) = by_kind(title, BindingsMap(PictureView.BINDINGS))
    assert heading == title
    assert [each.key for each in bindings if each.description == "Segment"] == [*"abcdefg", "full_stop"]


def all_but(desks: Desks, tmp_path: Path, *names: str) -> None:
    """In the folder `walked` stands a walk that was broken off: only `names` are left."""
    folder = Folder(tmp_path / "walked")
    folder.open(desks.panel, "before", [FinishedStep(g, [], "done") for g in plan(desks.panel) if g.name not in names])
    folder.close()


async def test_who_walks_and_the_serial_number_are_asked_for_once_and_stand_on_the_page(
    desks: Desks, tmp_path: Path
) -> None:
    all_but(desks, tmp_path, "approach_lit")
    async with console(desks.session) as eyes:
        await eyes.press("t", "enter")
        await eyes.see("Name of the tester, for the page to keep", "Serial number of this panel")
        await eyes.press("ctrl+u", *"walked", "tab", *"A. Bench", "tab", "ctrl+u", *"OT-7", "enter")
        await eyes.see("Lamp Approach lit should blink")
        screen = eyes.app.screen
        assert isinstance(screen, WalkScreen)
        await eyes.until(lambda: screen.listens, "the look")
        await eyes.press("s")
        await eyes.see("Report: open walked/walk.html")
        await eyes.press("escape")
        await eyes.see("F2 Face")
        await eyes.press("t", "enter")
        await eyes.see("A. Bench", "OT-7")
    report = read_report(tmp_path / "walked")
    assert (report["by"], report["serial"]) == ("A. Bench", "OT-7")
    page = (tmp_path / "walked" / "walk.html").read_text()
    assert "A. Bench" in page
    assert "OT-7" in page


@pytest.mark.parametrize(
    "kept",
    [
        b"",
        b"[]",
        b"[" * 100_000,
        b"\xff",
        b'{"by": 3, "serials": {"Ostrey tower trainer": []}}',
        b'{"serials": "OT-7"}',
    ],
)
def test_who_walked_last_is_nobody_where_what_was_kept_cannot_be_read(
    kept: bytes, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("BENCHCON_HOME", str(tmp_path))
    (tmp_path / "walks.json").write_bytes(kept)
    panel = loads(OSTREY.read_text())
    assert last_signed(panel) == Signature("", panel.serial)
    keep(panel, Signature("A. Bench", "OT-8"))
    assert last_signed(panel) == Signature("A. Bench", "OT-8"), "what comes after that is kept"


async def test_a_finding_about_a_board_alone_can_be_asked_again(desks: Desks, tmp_path: Path) -> None:
    """3 ohm in the supply of a desk that takes 168 mA: it sags by 0.5 V when all is lit, and bears it."""
    all_but(desks, tmp_path, "all lit")
    desks.hands["met"].fault("weak_supply", resistance="3 ohm", limit="4 V")
    async with console(desks.session, (100, 36)) as eyes:
        await eyes.press("t", "enter")
        await eyes.see("tested in turn")
        await eyes.press("ctrl+u", *"walked", "enter")
        await all_lit(eyes)
        await eyes.see("weak supply", "f Retry faulty", "✓ 25 passed")
        desks.hands["met"].clear()
        await eyes.press("f")
        await eyes.see("Every lamp and display should be dark now.")
        await all_lit(eyes)
        await eyes.see("25 passed", "Report: open walked/walk.html")
        assert "Retry faulty" not in eyes.text()
    assert read_report(tmp_path / "walked")["findings"] == []


async def all_lit(eyes: Eyes) -> WalkScreen:
    """Say of all that is to be looked at that it is right, and skip the rest, until the walk asks for nothing more."""
    await eyes.until(lambda: isinstance(eyes.app.screen, WalkScreen), "the walk")
    screen = eyes.app.screen
    assert isinstance(screen, WalkScreen)
    while True:
        await eyes.until(lambda: screen.listens or screen.report is not None, "the look, or the end")
        if screen.report is not None:
            return screen
        number = screen.scene.number if screen.scene else 0
        await eyes.press("enter" if screen.scene and screen.scene.state == "look" else "s")
        await eyes.until(lambda n=number: screen.scene is None or screen.scene.number != n, "the next")
