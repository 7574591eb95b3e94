"""``benchcon check``: told by content, each finding a line, exit codes that scripts can trust."""

from __future__ import annotations

import json
import shutil
from datetime import UTC, datetime
from pathlib import Path

import pytest

from benchcon.cli.main import main
from benchcon.panel.file import inspect

SHORT = {
    "Runway edge": "Runway",
    "Runway edge lit": "Runway",
    "Stop bar lit": "Bar",
    "Obstruction lit": "Mast",
    "Intensity": "Light",
    "Standby": "Gen",
}
"""For labels of the demo that a board has no room for."""


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, ostrey_path: Path) -> Path:
    monkeypatch.chdir(tmp_path)
    text = ostrey_path.read_text()
    for label, short in SHORT.items():
        text = text.replace(f'label = "{label}"', f'label = "{short}"')
    (tmp_path / "good.toml").write_text(text)
    return tmp_path


def test_a_good_file_says_what_is_in_it_and_what_comes_next(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", "good.toml"]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    # Counted in the demo's panel file.
    text = (here / "good.toml").read_text()
    controls, lamps, displays = (text.count(f"\n[{word}.") for word in ("controls", "lamps", "displays"))
    assert out == (
        f"good.toml: a good panel file: 3 boards (lighting, met, power), {controls} controls, {lamps} lamps, "
        f"{displays} displays; next: benchcon try good.toml\n"
    )


def test_each_mistake_is_a_line_on_standard_output(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = (here / "good.toml").read_text()
    (here / "bad").write_text(text.replace('colour = "red"', 'colour = "rot"').replace('"amber"', '"ambr"', 1))
    assert main(["check", "good.toml", "bad"]) == 1
    out, err = capsys.readouterr()
    assert err == ""
    lines = out.splitlines()
    assert lines.pop(0).startswith("good.toml: a good panel file")
    assert len(lines) == 2
    assert lines[0].startswith("bad:")
    assert 'did you mean "amber"?' in lines[0]
    assert lines[1].startswith("bad:")
    assert 'colour is "rot"' in lines[1]


def test_advice_is_told_and_exits_with_0(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = (here / "good.toml").read_text()
    (here / "near.toml").write_text(text.replace('["110 mm", "170 mm"]', '["57.5 mm", "170 mm"]'))
    assert main(["check", "near.toml"]) == 0
    assert "advice: lamps.runway_lit overlaps lamps.approach_lit" in capsys.readouterr().out


def test_labels_that_a_board_has_no_room_for_are_told(
    here: Path, ostrey_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shutil.copy(ostrey_path, here / "long.toml")
    assert main(["check", "long.toml"]) == 0
    # line-protocol.md, section 2: 80 bytes with the line's end. By hand, of the simulated lighting desk:
    # <00 item 0C lamp l_stop dim=1 pin=595.3 colour=green label=Stop%20bar%20l #0000 has 79.
    assert 'lamps.stop_bar_lit, "Stop bar lit" to "Stop bar l"' in capsys.readouterr().out


def test_what_cannot_be_read_exits_with_2(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (here / "bad").write_text("[")
    assert main(["check", "bad", "none.toml", "."]) == 2
    out, err = capsys.readouterr()
    assert out.startswith("bad:1: ")
    assert err.splitlines() == [
        "benchcon: none.toml cannot be read: No such file or directory",
        "benchcon: . cannot be read: Is a directory",
    ]


CHAINS = """\
[boards.desk]
chip = "atmega328p"
chains.165 = { data = "D12", clock = "D13", load = "D10" }
chains.595 = { data = "D11", clock = "D13", load = "D9" }
[lamps.a]
channel = { id = "a", pin = "595.0" }
"""


def test_check_knows_what_firmware_refuses(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    # One clock for inputs and outputs: somebody else's firmware may do it, ours drives the outputs by SPI meanwhile.
    (here / "a.toml").write_text(CHAINS)
    assert main(["check", "a.toml"]) == 0
    told, good = capsys.readouterr().out.splitlines()
    assert told.startswith("a.toml:3: advice: firmware cannot be built: boards.desk.chains.165.clock is D13")
    assert "; firmware cannot be built for desk as it stands; next: " in good
    assert main(["firmware", "a.toml", "-o", "out"]) == 2
    assert "boards.desk.chains.165.clock is D13" in capsys.readouterr().err
    # A board whose pins nobody wrote down, or whose chip is not known, is somebody else's.
    for text in ("[boards.desk]\nchip = 'atmega328p'\n[lamps.a]\nchannel = 'a'\n", CHAINS.split("\n", 2)[2]):
        (here / "b.toml").write_text(text if text.startswith("[") else f"[boards.desk]\n{text}")
        assert main(["check", "b.toml"]) == 0
        assert "firmware cannot" not in capsys.readouterr().out


def test_json_owns_standard_output(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (here / "bad").write_text("[lamps.a]\nchannel = 'x.y'\n")
    assert main(["check", "--json", "good.toml", "bad", "none"]) == 2
    good, bad, none = json.loads(capsys.readouterr().out)
    assert good == {"file": "good.toml", "kind": "panel file", "good": True, "findings": []}
    assert bad["good"] is False
    assert bad["findings"][0]["line"] == 2
    assert "cannot be read" in none["error"]


def test_faults_files_are_held_against_the_panel_beside_them(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (here / "f.toml").write_text('[[faults]]\nkind = "stuck"\nchannel = "met.sw_none"\n')
    (here / "g.toml").write_text('[[faults]]\nkind = "stuk"\nchannel = "met.unit"\n')
    assert main(["check", "f.toml", "g.toml", "good.toml"]) == 1
    lines = capsys.readouterr().out.splitlines()
    assert lines[0].startswith("f.toml:")
    assert "sw_none" in lines[0]
    assert lines[1].startswith("g.toml:2: ")
    assert "stuck" in lines[1]


def test_triggers_are_checked_too(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with (here / "good.toml").open("a") as file:
        file.write('\n[[triggers]]\nkind = "chattr"\n')
    assert main(["check", "good.toml"]) == 1
    assert 'did you mean "chatter"?' in capsys.readouterr().out


def test_captures_are_told_by_their_first_line(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from benchcon.capture.form import encode, write_header
    from benchcon.wire.records import LINE_UP, NOTE, Batch

    head = write_header(datetime(2026, 3, 1, tzinfo=UTC), {})
    note = encode(Batch(5, 0, NOTE, [b"mark here"]))
    (here / "a.toml").write_bytes(head + note)  # any name will do
    assert main(["check", "a.toml"]) == 0
    assert (
        capsys.readouterr().out
        == "a.toml: a good capture: 1 record and 0 keyframes, 0.000 s; next: benchcon replay a.toml\n"
    )
    torn = encode(Batch(9, 1, LINE_UP, [b"!0000 00000000 is a=1 #0000"]))
    (here / "b").write_bytes(head + note + torn + b"12 1 <")
    assert main(["check", "b"]) == 1
    assert all(line.startswith("b:") for line in capsys.readouterr().out.splitlines())
    (here / "c").write_bytes(b"benchcon capture 99\n")
    assert main(["check", "c"]) == 1


def test_a_capture_says_what_is_missing_in_it(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from benchcon.capture.form import encode, write_header
    from benchcon.wire.records import LINK, Batch

    def hole(body: bytes, source: int = 0) -> bytes:
        return encode(Batch(5, source, LINK, [body]))

    head = write_header(datetime(2026, 3, 1, tzinfo=UTC), {})
    holes = hole(b"missed records=310 from=1 why=slow") + hole(b"missed records=1 from=2 why=disk:%20full")
    (here / "a.capture").write_bytes(head + holes + hole(b"missed records=9 from=1 why=slow"))
    assert main(["check", "a.capture"]) == 0
    advice, good = capsys.readouterr().out.splitlines()
    assert advice.startswith("a.capture: advice: 320 records are MISSING (slow: 319; disk: full: 1)")
    assert "incomplete: 320 records are MISSING" in good
    assert main(["check", "--json", "a.capture"]) == 0
    (told,) = json.loads(capsys.readouterr().out)
    assert "320 records are MISSING" in told["findings"][0]["text"]
    # From a stranger: no number, no end of reasons, a tap's bytes.
    odd = b"".join(hole(b"missed records=1 why=%d" % number) for number in range(20)) + hole(b"missed records=x")
    (here / "b.capture").write_bytes(head + odd + hole(b"unrecorded bytes=7", 1))
    assert main(["check", "b.capture"]) == 0
    said = capsys.readouterr().out
    assert "20 records are MISSING" in said
    assert "other reasons" in said
    assert "7 bytes are MISSING (passed on by the tap, but not recorded)" in said


def test_control_codes_in_names_and_files_never_reach_the_terminal(
    here: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (here / "x\x1b[2J").write_text('[lamps."\\u001b[31m"]\n')
    assert main(["check", "x\x1b[2J"]) == 1
    assert "\x1b" not in capsys.readouterr().out


@pytest.mark.parametrize(
    ("keys", "said"),
    [
        (
            'answers = "aproach"',
            'lamps.approach_lit.answers is "aproach", which is not a control of this panel; allowed: ',
        ),
        ('answers = "runway_lit"', "which is not a control of this panel"),
        ('within = "100 ms"', "lamps.approach_lit.within is of no use without answers"),
        ('answers = "approach"\nwithin = "0.2 ms"', 'is "0.2 ms"; from "1 ms" to "10 s" is allowed'),
        ('answers = "approach"\nwithin = "100 mm"', "is a length; a time is needed"),
    ],
)
def test_what_answers_a_control_is_checked(
    here: Path, capsys: pytest.CaptureFixture[str], keys: str, said: str
) -> None:
    text = (here / "good.toml").read_text()
    (here / "odd.toml").write_text(text.replace("[lamps.approach_lit]\n", f"[lamps.approach_lit]\n{keys}\n"))
    assert main(["check", "odd.toml"]) == 1
    assert said in capsys.readouterr().out


def test_a_size_that_cannot_be_read_is_not_called_missing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "desk.toml"
    path.write_text('[panel]\nwidth = 150\nheight = "100 mm"\n[boards.b]\n[controls.go]\nchannel = "b1"\n', "utf-8")
    assert main(["check", str(path)]) == 1
    told = capsys.readouterr().out
    assert "panel.width" in told
    assert "only one of" not in told
    path.write_text('[panel]\nheight = "100 mm"\n', "utf-8")
    assert main(["check", str(path)]) == 1
    assert "only one of width and height" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ('title = "Winch', "the quote that ends the text is missing"),
        ("title = 'Winch", "the quote that ends the text is missing"),
        ("width = 40 mm", 'write "40 mm"'),
        ("title =", "a value is missing"),
        ('title "Winch"', "the = behind the key is missing"),
        ('at = ["1 mm", "2 mm" "3 mm"]', "a comma or ] is missing"),
        ("[boards.b", "the ] that ends the heading is missing"),
    ],
)
@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_what_is_missing_in_a_line_is_said(
    line: str, said: str, end: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "desk.toml"
    path.write_bytes(f"[panel]{end}{line}{end}[lamps.a]{end}".encode())
    assert main(["check", str(path)]) == 1
    assert f"{path}:2: is not TOML here" in (told := capsys.readouterr().out)
    assert said in told


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("dimmed = yes", 'column 10: yes is without quotes; write true, or as text "yes"'),
        ("colour = red", 'column 10: red is without quotes; write "red"'),
        ("current = 10 mA", 'column 14: 10 mA is without quotes; write "10 mA"'),
        ("at = [45 mm, 28 mm]", 'column 10: 45 mm is without quotes; write "45 mm"'),
        ("repeat = { columns = 3 rows = 2 }", "column 24: a comma or } is missing"),
        ("colour =", "column 9: a value is missing"),
        ("label = “Stop”", 'column 9: “ is a quote of a word processor; write plain ones, "like this"'),
        ("// the left one", "column 1: a comment begins with #"),
        ('channel = { id = "l1",', "column 23: what is in { } goes on one line, up to the }"),
        ('channel = { id = "l1", }', "column 24: nothing follows the last comma; leave that comma out"),
        (
            "[lamps.High water]",
            "column 13: a name has only a-z, 0-9 and _, and no spaces; write [lamps.high_water]",
        ),
        ("[lamps.höhe]", "column 9: a name has only a-z, 0-9 and _, and no spaces; write [lamps.hohe]"),
        ("[[trig gers]]", "column 8: a name has only a-z, 0-9 and _, and no spaces; write [[trig_gers]]"),
    ],
)
def test_a_value_without_its_quotes_is_shown_as_it_should_be_written(line: str, told: str) -> None:
    _, (found,) = inspect(f"[lamps.a]\n{line}\n", "x.toml")
    assert str(found).startswith(f"x.toml:2: is not TOML here, {told}")


def test_what_is_shown_of_a_long_line_has_the_mistake_in_it() -> None:
    line = 'channel = { id = "l1", pin = "D4", connector = "J3", connector_pin = "3", wire = "violet" ),'
    _, (found,) = inspect(f"[lamps.a]\n{line}\n", "x.toml")
    assert str(found).endswith('"…", connector_pin = "3", wire = "violet" ),"')


@pytest.mark.parametrize(
    ("was", "now", "told"),
    [
        ('colour = "green"', 'colour = "yellow"', '5: controls.haul.lit.colour is "yellow"; allowed: '),
        ('colour = "green"', 'colour = "yellow"', 'did you mean "amber"?'),
        ('pin = "D5"', 'pin = "d5"', "4: controls.haul.channel.pin"),
        ('pin = "D5"', 'pin = "d5"', 'did you mean "D5"?'),
        ('pin = "D5"', "pin = 5", 'text in quotes is allowed, such as "D5"'),
        ('kind = "button"', 'kind = "push button"', 'did you mean "button"?'),
    ],
)
def test_a_mistake_is_told_where_it_is_written_and_with_what_was_meant(was: str, now: str, told: str) -> None:
    text = """[boards.a]
[controls.haul]
kind = "button"
channel = { id = "b1", pin = "D5" }
lit = { colour = "green", channel = { id = "g1", pin = "D6" } }
"""
    _, (found,) = inspect(text.replace(was, now), "x.toml")
    assert told in str(found)


@pytest.mark.parametrize(("pin", "told"), [("kyes.r0c0", "unknown matrix"), ("165.0", "has no 74HC165")])
def test_what_all_parts_of_a_repeat_lack_is_told_once(pin: str, told: str) -> None:
    text = f"""[boards.a]
[controls.key]
kind = "button"
channel = {{ id = "k1", pin = "{pin}" }}
repeat = {{ columns = 3 }}
"""
    _, found = inspect(text, "x.toml")
    assert [told in str(each) for each in found] == [True]


def test_a_lit_button_s_lamp_is_told_by_where_it_is_written() -> None:
    text = """[boards.a]
chip = "atmega328p"
[controls.haul]
kind = "button"
channel = { id = "b1", pin = "D5" }
lit = { current = "60 mA", channel = { id = "g1", pin = "D6" } }
"""
    _, (found,) = inspect(text, "x.toml")
    assert str(found).startswith("x.toml:6: controls.haul.lit (haul_lit) draws 60 mA from D6")


def test_buttons_that_overlap_are_told_once_and_not_for_the_lamps_in_them_too() -> None:
    text = """[boards.a]
[controls.haul]
kind = "button"
at = ["30 mm", "30 mm"]
size = ["12 mm", "12 mm"]
hole = "4 mm"
channel = "b1"
lit = { channel = "g1" }
repeat = { columns = 2, pitch = "8 mm" }
"""
    _, found = inspect(text, "x.toml")
    assert [str(each) for each in found if "overlaps" in str(each)] == [
        "x.toml:2: advice: controls.haul (haul_2) overlaps controls.haul (haul_1) (line 2) by 4 mm; "
        'move one, or say how large they are: size = ["8 mm", "8 mm"]'
    ]


def test_a_file_that_is_not_there_is_answered_with_the_one_that_was_meant(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "winch.toml").write_text("[boards.a]\n")
    winch = '; did you mean "winch.toml"?'
    names = {"wimch.toml": winch, "winch.tml": winch, "winch": winch, "quite_other.toml": "", "winch.pdf": ""}
    for wrong, meant in names.items():
        assert main(["check", str(tmp_path / wrong)]) == 2
        assert capsys.readouterr().err.strip().endswith(f"cannot be read: No such file or directory{meant}")
