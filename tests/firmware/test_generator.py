"""`benchcon firmware`: what it writes, what it refuses and in which words, and that nothing half-written is left."""

from __future__ import annotations

import re
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from firmware.generator_panels import BOARD, DEMO, demo_plan, everything, planned
from hypothesis import given
from hypothesis import strategies as st

from benchcon.cli.main import main
from benchcon.errors import Trouble
from benchcon.firmware import folder, limits, tools
from benchcon.firmware.buildable import cut_labels, inspect_boards
from benchcon.firmware.chips import BAUDS, CHIPS, Chip, baud_error, baud_words, divisor
from benchcon.firmware.emulator_wiring import emulator_wiring
from benchcon.firmware.limits import MemoryUse
from benchcon.firmware.panel_map import header, source
from benchcon.firmware.plan import Refused, plan
from benchcon.panel.file import loads
from benchcon.panel.pins import PORTS
from benchcon.rig.wiring import wiring
from benchcon.wire.items import Item, fitting, item_words
from benchcon.wire.quote import quote


@pytest.fixture
def no_compiler(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """A machine without the AVR tools: quick, and what many builders have at first."""
    monkeypatch.setenv("PATH", str(tmp_path / "no such folder"))


def refused(text: str, board: str = "desk") -> list[str]:
    """What stands against a panel file's text, as the user reads it: from reading the file, or from planning."""
    try:
        plan(loads(text, "desk.toml"), board)
    except Refused as found:
        return [str(finding) for finding in found.findings]
    except Trouble as trouble:
        return [str(trouble)]
    return []


def lamp(name: str, pin: str, more: str = "") -> str:
    return f'[lamps.{name}]\n{more}channel = {{ id = "desk.{name}", pin = "{pin}" }}\n'


def test_the_uart_errors_are_those_of_the_data_sheet() -> None:
    # ATmega328P data sheet, "Examples of UBRRn Settings for Commonly Used Oscillator Frequencies", 16 MHz, U2Xn = 1.
    table = {
        9600: (207, 0.2),
        19_200: (103, 0.2),
        38_400: (51, 0.2),
        57_600: (34, -0.8),
        115_200: (16, 2.1),
        230_400: (8, -3.5),
        250_000: (7, 0.0),
        500_000: (3, 0.0),
        1_000_000: (1, 0.0),
    }
    assert {baud: (divisor(baud), round(100 * baud_error(baud), 1) + 0.0) for baud in table} == table


@pytest.mark.parametrize("chip", CHIPS.values(), ids=CHIPS)
def test_what_is_said_of_the_baud_rate_says_whether_to_do_anything(chip: Chip) -> None:
    """It said "+2.1 %, more than the sheet recommends", which read like an alarm; there was nothing to do."""
    # The same data sheets, "Recommended Maximum Receiver Baud Rate Error for Double Speed Mode", D = 8 (data and parity
    # bits): Rslow 96.00 %, Rfast 103.90 % (from memory). All rates that can be asked for lie within.
    assert all(0.9600 < 1 - baud_error(baud) <= 1 + baud_error(baud) < 1.0390 for baud in BAUDS)
    said = baud_words(chip, 115_200)
    assert said.startswith(
        "115200 baud, which on this chip is 2.1 % fast. Nothing to do: its receiver tolerates 3.9 % "
    )
    assert f"({chip.title} data sheet, " in said
    assert said.endswith("build with --baud 500000, which is exact")
    assert baud_words(chip, 500_000) == f"500000 baud, exact ({chip.title} data sheet, baud-rate tables, double speed)"


def test_pin_change_numbers_and_spi_pins_are_those_of_the_data_sheets() -> None:
    # Pin configurations: ATmega328P PB0 PCINT0, PC0 PCINT8, PD2 PCINT18; ATmega2560 PB0 PCINT0, PE0 PCINT8, PJ0 PCINT9,
    # PK0 PCINT16; SPI on PB5/PB3/PB4/PB2 and PB1/PB2/PB3/PB0 (SCK, MOSI, MISO, SS).
    small, large = CHIPS["atmega328p"], CHIPS["atmega2560"]
    assert [small.change_number(pin) for pin in ("D8", "A0", "D2", "D7")] == [0, 8, 18, 23]
    assert [large.change_number(pin) for pin in ("D53", "D0", "D15", "A8", "D22")] == [0, 8, 9, 16, None]
    assert [small.port_of(pin) for pin in (small.sck, small.mosi, small.miso, small.ss)] == [
        ("B", 5),
        ("B", 3),
        ("B", 4),
        ("B", 2),
    ]
    assert [large.port_of(pin) for pin in (large.sck, large.mosi, large.miso, large.ss)] == [
        ("B", 1),
        ("B", 2),
        ("B", 3),
        ("B", 0),
    ]


def test_inputs_are_numbered_pins_first_then_the_chain_then_the_matrix() -> None:
    made = planned(everything("atmega328p"))
    assert {contact.channel.id: contact.number for contact in made.contacts} == {
        "direct": 0,
        "high": 1,
        "far_l": 8,
        "far_r": 8 + 15,
        "key": 8 + 16 + 8,
    }
    assert [(encoder.a, encoder.b) for encoder in made.encoders] == [(2, 3), (8 + 6, 8 + 7)]
    assert {output.lamp.channel.id: output.number for output in made.lamps} == {"near": 0, "plain": 1, "remote": 8 + 15}
    assert made.input_groups == 1 + 2 + 2
    text = header(made)
    assert "#define PANEL_PIN_INPUTS(X) X(0, D, 4) X(1, D, 5) X(2, D, 2) X(3, D, 3)" in text
    assert "#define PANEL_PIN_WATCHES(X) X(0, 20) X(1, 21) X(2, 18) X(3, 19)" in text
    assert "#define PANEL_MATRIX_ROW_PINS(X) X(0, B, 0) X(1, B, 1)" in text
    assert "#define PANEL_DISPLAY_ON_SPI 1" in text
    assert r'LABEL "Wh\?\?/%20\"\\%25"' in source(made)  # a quote, a backslash, a trigraph


def test_a_display_on_any_other_pins_is_driven_without_the_spi() -> None:
    chain = 'chains.7219 = { data = "D2", clock = "D3", load = "D4" }\n'
    made = planned(
        BOARD
        + chain
        + '[displays.d]\ndigits = 2\nsegment_current = "1 mA"\nchannel = { id = "desk.d", pin = "7219.0" }\n'
    )
    assert "#define PANEL_DISPLAY_DATA D, 2 /* D2 */" in header(made)
    assert "#define PANEL_DISPLAY_ON_SPI 0" in header(made)
    assert made.own_light  # D13 is free for the board's own light
    assert "#define PANEL_LIGHT B, 5 /* D13 */" in header(made)


def test_wink_lights_no_more_lamps_than_the_budget_allows() -> None:
    text = BOARD.replace("60 mA", "25 mA") + "".join(lamp(f"l{n}", f"D{n + 2}") for n in range(4))
    assert planned(text).wink_lamps == 2  # 10 mA each


def test_the_emulated_bench_gets_the_same_wires() -> None:
    lines = emulator_wiring(demo_plan("lighting")).splitlines()
    assert "board lighting" in lines
    assert "chain165 data=B4 clock=C0 load=B2 chips=1" in lines
    assert "contact sw_app pin=D2" in lines
    assert "contact int1 chain=0" in lines
    assert "lamp l_app chain=0" in lines
    assert "encoder enc_qnh a=D2 b=D3 detent=4" in emulator_wiring(demo_plan("met")).splitlines()
    assert "pot volts adc=0" in emulator_wiring(demo_plan("power")).splitlines()


REFUSALS = {
    "two parts on one pin": (BOARD + lamp("a", "D5") + lamp("b", "D5"), 8, "(line 6)"),
    "the serial port's pin": (BOARD + lamp("a", "D1"), 6, "serial port"),
    "a potentiometer on a pin that reads no voltage": (
        BOARD + '[controls.p]\nkind = "pot"\nchannel = { id = "desk.p", pin = "D5" }\n',
        7,
        "analogue",
    ),
    "a lamp on a pin that only reads voltages": (BOARD + lamp("a", "A6"), 6, "A6"),
    "a chain's pin that only reads voltages": (
        BOARD + 'chains.165 = { data = "D2", clock = "D3", load = "A7" }\n',
        5,
        "can only read voltages",
    ),
    "a matrix on a pin that only reads voltages": (
        BOARD + '[matrices.m]\nrows = ["A6"]\ncolumns = ["D2"]\n',
        5,
        "can only read voltages",
    ),
    "no chip": ("[boards.desk]\n" + lamp("a", "D5"), 1, "no chip"),
    "an unknown chip": ('[boards.desk]\nchip = "atmega8"\n', 2, "atmega328p"),
    "a chain with empty pins": (BOARD + 'chains.595 = { data = "D11" }\n' + lamp("a", "595.0"), 5, "clock and load"),
    "a part without a pin": (BOARD + '[lamps.a]\nchannel = "desk.a"\n', 6, "no pin"),
    "an id that is too long": (BOARD + '[lamps.a]\nchannel = "desk.much_too_long"\n', 6, "much_too_long"),
    "too much for a pin": (BOARD + lamp("a", "D5", 'current = "41 mA"\n'), 5, "40 mA"),
    "too much for the chip": (
        BOARD.replace("60 mA", "150 mA") + "".join(lamp(f"l{n}", f"D{n}", 'current = "20 mA"\n') for n in range(2, 13)),
        1,
        "200 mA",
    ),
    "too much for an output of a shift register": (
        BOARD
        + 'chains.595 = { data = "D11", clock = "D13", load = "D10" }\n'
        + lamp("a", "595.0", 'current = "7 mA"\n'),
        6,
        "specified at 6 mA",
    ),
    "a display driver on 3.3 V": (
        BOARD
        + 'supply = "3.3 V"\nchains.7219 = { data = "D11", clock = "D13", load = "D10" }\n'
        + '[displays.d]\ndigits = 1\nsegment_current = "2 mA"\nchannel = { id = "desk.d", pin = "7219.0" }\n',
        7,
        "4 to 5.5 V",
    ),
    "lamps away from the chip's SPI": (
        BOARD + 'chains.595 = { data = "D2", clock = "D3", load = "D4" }\n' + lamp("a", "595.0"),
        5,
        'data = "D11", clock = "D13"',
    ),
    "an input where the SPI needs an output": (
        BOARD
        + 'chains.595 = { data = "D11", clock = "D13", load = "D9" }\n'
        + '[controls.b]\nkind = "button"\nchannel = { id = "desk.b", pin = "D10" }\n',
        8,
        "D10",
    ),
    "a lamp where the SPI has its input": (
        BOARD + 'chains.595 = { data = "D11", clock = "D13", load = "D9" }\n' + lamp("a", "D12"),
        7,
        "D12",
    ),
    "the inputs' clock on the SPI": (
        BOARD
        + 'chains.595 = { data = "D11", clock = "D13", load = "D9" }\n'
        + 'chains.165 = { data = "D12", clock = "D13", load = "D10" }\n',
        6,
        "another clock",
    ),
    "inputs and displays on one clock": (
        BOARD
        + 'chains.165 = { data = "D2", clock = "D3", load = "D4" }\n'
        + 'chains.7219 = { data = "D5", clock = "D3", load = "D6" }\n',
        5,
        "its own",
    ),
    "a debounce that the firmware cannot count": (
        BOARD + '[controls.b]\nkind = "button"\ndebounce = "200 ms"\nchannel = { id = "desk.b", pin = "D4" }\n',
        5,
        "100 ms",
    ),
    "a selector without contacts": (
        BOARD + '[controls.s]\nkind = "switch"\npositions = ["a", "b", "c"]\nchannel = { id = "desk.s", pin = "D4" }\n',
        8,
        "one contact per position",
    ),
    "a potentiometer beyond ten bits": (
        BOARD + '[controls.p]\nkind = "pot"\nhigh = 4095\nchannel = { id = "desk.p", pin = "A0" }\n',
        5,
        "1023",
    ),
    "two matrices": (
        BOARD + '[matrices.m]\nrows = ["D2"]\ncolumns = ["D3"]\n[matrices.n]\nrows = ["D4"]\ncolumns = ["D5"]\n',
        8,
        "scans one",
    ),
}


@pytest.mark.parametrize("what", REFUSALS)
def test_what_cannot_be_built_is_refused_in_a_line_that_says_where(what: str) -> None:
    text, line, word = REFUSALS[what]
    found = refused(text)
    assert found, what
    named = [each for each in found if each.startswith(f"desk.toml:{line}: ")]
    assert named, found
    assert any(word in each for each in named), found
    assert all("\n" not in each for each in found)


def test_the_lines_of_the_lamps_that_are_too_much_are_named() -> None:
    text, _, _ = REFUSALS["too much for the chip"]
    (found,) = (each for each in refused(text) if "supply pins" in each)
    assert (
        "up to 220 mA is asked of the chip's supply pins (lines 5, 8, 11, 14, 17, 20, 23, 26, 29, 32, 35); "
        "its limit is 200 mA" in found
    )


def test_labels_that_the_board_cuts_are_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "desk.toml"
    long = "Ferne Lampe an der Wand, ganz links oben"
    file.write_text(BOARD + lamp("a", "D5", f'label = "{long}"\n') + lamp("b", "D6", 'label = "B"\n'))
    plan_ = plan(loads(file.read_text(), str(file)), "desk")[0]
    (told,) = cut_labels(plan_)
    left = re.search(rf'"{long}" to "(.*?)"', told.text)
    assert left
    assert told.line == 5
    assert long.startswith(left[1])
    assert '"B"' not in told.text
    # line-protocol.md, section 2: a line has 80 bytes with its end; so much fits, and not a character more.
    item = f"<00 item 04 lamp a dim=1 pin=D5 colour=white label={quote(left[1])} #0000"
    assert len(item) <= 79 < len(item) + len(quote(long[len(left[1])]))


def test_simulated_boards_and_firmware_cut_labels_at_the_same_limit_and_check_tells_it_first() -> None:
    long = "Ferne Lampe an der Wand, ganz links oben"
    text = '[boards.desk]\nlabel = "Äußerer Tisch"\n' + f'[lamps.a]\nchannel = "desk.a"\nlabel = "{long}"\n'
    text += '[lamps.b]\nchannel = "desk.b"\nlabel = "Short"\n'
    text += '[controls.turn]\nkind = "switch"\npositions = ["furthest left", "somewhere", "furthest right"]\n'
    text += f'label = "Which of {"them " * 8}"\nchannels = ["desk.c0", "desk.c1", "desk.c2"]\n'
    panel = loads(text, "desk.toml")
    told = [str(each) for each in inspect_boards(panel)[0]]
    # One for the board's name ("Ä" is two bytes and so six characters on the wire), one for its parts; none for b.
    assert [each.split(": advice: ")[0] for each in told] == ["desk.toml:1", "desk.toml:3"], told
    assert 'boards.desk: of its label the board can say "Äußerer Tisc" (24 bytes' in told[0]
    assert 'controls.turn, "Which of them' in told[1]
    assert "lamps.b" not in told[1]
    for item in wiring(panel, "desk").items:
        line = "<00 item 00 " + " ".join(item_words(item)) + " #0000"
        assert len(line) <= 79
        if item.kind == "lamp":
            whole = {"a": long, "b": "Short"}[item.id]
            assert whole.startswith(item.detail["label"])
            if item.id == "a":
                assert f'"{item.detail["label"]}"' in told[1]


@given(
    st.sampled_from(["contact", "lamp", "digits", "encoder", "pot"]),
    st.from_regex(r"[a-z][a-z0-9_]{0,15}", fullmatch=True),
    st.from_regex(r"([a-z][a-z0-9_]{0,15}\.r\d\dc\d\d|D\d\d)", fullmatch=True),
    st.text(max_size=60),
)
def test_an_item_always_fits_its_line_and_says_whole_pins_or_none(kind: str, id_: str, pin: str, label: str) -> None:
    # line-protocol.md, section 2: a line has 80 bytes with its end. Half a pin would be another pin.
    does = {"inv": "1", "dark": "1", "raw": "2", "deb": "0064"} if kind == "contact" else {}
    item = Item(0, kind, id_, does | {"pin": pin, "colour": "amber", "label": label})
    said = fitting(item)
    assert len("<00 item 00 " + " ".join(item_words(said)) + " #0000") <= 79
    assert said.detail.get("pin", pin) == pin
    assert label.startswith(said.detail.get("label", ""))
    assert {key: said.detail[key] for key in does} == does


def test_more_encoders_or_pots_than_the_core_has_are_refused() -> None:
    mega = '[boards.desk]\nchip = "atmega2560"\n'
    encoders = "".join(
        f'[controls.e{n}]\nkind = "encoder"\nchannel = {{ id = "desk.e{n}", pin = "D{22 + 2 * n}/D{23 + 2 * n}" }}\n'
        for n in range(9)
    )
    assert refused(mega + encoders) == ["desk.toml:27: controls.e8 is one too many: a board has at most 8 encoders"]
    pots = "".join(f'[controls.p{n}]\nkind = "pot"\nchannel = {{ id = "desk.p{n}", pin = "A{n}" }}\n' for n in range(9))
    assert refused(mega + pots) == ["desk.toml:27: controls.p8 is one too many: a board has at most 8 potentiometers"]


def test_every_hindrance_is_told_at_once() -> None:
    found = refused(BOARD + '[lamps.a]\nchannel = "desk.a"\n[lamps.b]\nchannel = "desk.b"\n')
    assert [each.split(": ")[0] for each in found] == ["desk.toml:6", "desk.toml:8"]


def test_what_does_not_fit_the_memory_is_refused_and_a_larger_chip_named() -> None:
    made = planned(BOARD + lamp("a", "D5"))
    assert limits.too_much(made, "desk.toml") == []
    flash, ram = limits.too_much(made, "desk.toml", MemoryUse(31_000, 1900))
    # ATmega328P data sheet: 32 KB of flash, of which boot loaders take up to 2 KB, and 2 KB of RAM.
    assert str(flash).startswith(
        "desk.toml:1: boards.desk takes 31000 bytes of flash (measured); an ATmega328P has 30720"
    )
    assert "2156 bytes of RAM (measured, 256 of them for the stack); an ATmega328P has 2048" in str(ram)
    assert 'chip = "atmega2560"' in str(ram)


def test_more_than_a_pin_is_made_for_is_advice_not_a_refusal(
    tmp_path: Path, no_compiler: None, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "desk.toml"
    file.write_text(BOARD + lamp("a", "D5", 'current = "25 mA"\n'))
    assert main(["firmware", str(file), "-o", str(tmp_path / "out")]) == 0
    assert f"{file}:5: advice: lamps.a draws 25 mA from D5" in capsys.readouterr().err
    assert "25 mA" in (tmp_path / "out" / "wiring.txt").read_text()


def test_an_input_on_the_boards_own_light_is_advised_against() -> None:
    text = BOARD + '[controls.b]\nkind = "button"\nchannel = { id = "desk.b", pin = "D13" }\n'
    _, advice = plan(loads(text, "desk.toml"), "desk")
    assert [finding.line for finding in advice] == [7]
    assert "another pin is better" in advice[0].text


def test_a_part_not_wired_yet_is_built_if_its_pin_is_known_and_left_out_if_not() -> None:
    text = BOARD + lamp("known", "D5", "wired = false\n") + '[lamps.new]\nwired = false\nchannel = "desk.new"\n'
    made, advice = plan(loads(text, "desk.toml"), "desk")
    assert [output.lamp.name for output in made.lamps] == ["known"]
    assert any(finding.line == 10 and "not in the firmware" in finding.text for finding in advice)


# --- the folder on disk ---


def test_the_folder_stands_alone_and_is_the_same_each_time(tmp_path: Path) -> None:
    wanted = folder.files(demo_plan("lighting"))
    folder.write(tmp_path / "one", wanted)
    there = {str(path.relative_to(tmp_path / "one")) for path in (tmp_path / "one").rglob("*") if path.is_file()}
    assert there == set(wanted)
    assert {"Makefile", "main.c", "wiring.txt", "wiring.md", "emulator.wiring", "benchboard/benchboard.ino"} <= there
    included = {
        name
        for path in (tmp_path / "one").rglob("*.[chi]*")
        if path.is_file()
        for name in re.findall(r'^\s*#include "([^"]+)"', path.read_text(), re.MULTILINE)
    }
    assert included <= {Path(name).name for name in there}
    assert folder.files(demo_plan("lighting")) == wanted
    assert not any(str(tmp_path) in text.decode("utf-8", "replace") for text in wanted.values())


def test_the_baud_rate_chosen_is_in_the_map_for_both_tool_chains() -> None:
    assert "#define BAUD 500000" in folder.files(demo_plan("met"), 500_000)["benchboard/panel_map.h"].decode()


def test_nothing_is_overwritten_without_force_and_only_ours_with_it(
    tmp_path: Path, no_compiler: None, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out"
    command = ["firmware", str(DEMO), "--board", "met", "-o", str(out)]
    assert main(command) == 0
    (out / "my notes.txt").write_text("the yellow wire is really green")
    (out / "wiring.txt").write_text("changed")
    assert main(command) == 2
    assert capsys.readouterr().err == (
        f"benchcon: {out} exists already; give another name, or --force to replace what benchcon wrote in it\n"
    )
    assert (out / "wiring.txt").read_text() == "changed"
    assert main([*command, "--force"]) == 0
    assert (out / "wiring.txt").read_text().startswith("Wiring list")
    assert (out / "my notes.txt").read_text() == "the yellow wire is really green"

    foreign = tmp_path / "photos"
    foreign.mkdir()
    (foreign / "desk.jpg").write_text("picture")
    assert main(["firmware", str(DEMO), "--board", "met", "-o", str(foreign), "--force"]) == 2
    assert "was not written by 'benchcon firmware'" in capsys.readouterr().err
    assert [path.name for path in foreign.iterdir()] == ["desk.jpg"]


def test_nothing_is_left_where_writing_fails_half_way(tmp_path: Path) -> None:
    def look(new: Path) -> None:
        assert (new / "Makefile").is_file()
        raise Trouble("it does not compile")

    folder.write(tmp_path / "out", {"Makefile": b"# old\n" + folder.MARK.encode()})
    with pytest.raises(Trouble, match="does not compile"):
        folder.write(tmp_path / "new", folder.files(demo_plan("met")), look=look)
    with pytest.raises(Trouble, match="not written by"):
        folder.write(tmp_path / "out", folder.files(demo_plan("met")), force=True)
    assert [path.name for path in tmp_path.iterdir()] == ["out"]
    assert [path.name for path in (tmp_path / "out").iterdir()] == ["Makefile"]


KILLED = """
import os, signal, sys
from pathlib import Path
from benchcon.firmware import folder

die = lambda: os.kill(os.getpid(), signal.SIGKILL)
kind, out = sys.argv[1:]
if kind != "look":  # at the given rename of those that replace the folder
    rename, left = os.rename, [int(kind)]

    def renamed(one, other):
        left[0] -= 1
        if not left[0]:
            die()
        rename(one, other)

    folder.os.rename = renamed
files = {"Makefile": folder.MARK.encode() + b" new", "main.c": b"new", "benchboard/a.c": b"new"}
folder.write(Path(out), files, force=True, look=lambda new: die() if kind == "look" else None)
"""
"""A run that is killed while it looks at the new folder, or just before a rename; the files are what `files` makes."""


def killed(at: str, out: Path) -> None:
    done = subprocess.run([sys.executable, "-c", KILLED, at, str(out)], capture_output=True, text=True)
    assert done.returncode == -signal.SIGKILL, done.stderr


def held(out: Path) -> subprocess.Popen[str]:
    """A run that is at work, and waits to be told to go on."""
    code = KILLED.replace('die() if kind == "look" else None', "(print(new, flush=True), input())")
    return subprocess.Popen(
        [sys.executable, "-c", code, "look", str(out)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )


def test_the_next_run_removes_what_a_killed_one_left_and_nothing_of_one_at_work(
    tmp_path: Path, no_compiler: None
) -> None:
    out = tmp_path / "fw"
    killed("look", out)
    (left,) = tmp_path.iterdir()
    assert re.fullmatch(r"\.fw\.\w{8}\.part", left.name)
    with held(out) as other:
        assert other.stdout is not None
        at_work = Path(other.stdout.readline().strip())
        mine = tmp_path / ".fw.notes.part"
        like_ours = tmp_path / ".fw.abcdefgh.part"
        for each in (mine, like_ours):
            each.mkdir()
            (each / "letter.txt").write_text("mine")
        assert main(["firmware", str(DEMO), "--board", "met", "-o", str(out)]) == 0
        assert {path.name for path in tmp_path.iterdir()} == {"fw", at_work.name, mine.name, like_ours.name}
        assert (at_work / "Makefile").is_file()
        other.communicate("\n")
    assert other.returncode == 0
    assert {path.name for path in tmp_path.iterdir()} == {"fw", mine.name, like_ours.name}
    assert (out / "main.c").read_text() == "new"


@pytest.mark.parametrize("at", ["1", "2", "3"])
def test_killed_while_it_replaces_a_folder_nothing_of_the_user_s_is_lost(at: str, tmp_path: Path) -> None:
    out = tmp_path / "fw"
    wanted = {"Makefile": folder.MARK.encode(), "main.c": b"old", "benchboard/a.c": b"old"}
    folder.write(out, wanted)
    (out / "my notes.txt").write_text("the yellow wire is really green")
    killed(at, out)
    if at == "2":  # neither folder has the name
        assert not out.exists()
        with pytest.raises(Trouble, match="exists already"):
            folder.write(out, wanted)
        assert (out / "main.c").read_bytes() == b"old"
    folder.write(out, wanted, force=True)
    assert [path.name for path in tmp_path.iterdir()] == ["fw"]
    assert (out / "my notes.txt").read_text() == "the yellow wire is really green"
    assert (out / "main.c").read_bytes() == b"old"


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["-o", "{tmp}/no/where"], "there is no folder {tmp}/no to put it in"),
        (["-o", "{tmp}/file"], "is not a folder"),
        (["-o", "{tmp}/out", "--baud", "9600"], "115200, 500000, 1000000"),
        (["-o", "{tmp}/out", "--board", "lightning"], 'did you mean "lighting"?'),
        (["-o", "{tmp}/out"], "has 3 boards; choose one with --board (lighting, met, power)"),
        (
            ["-o", "{tmp}/out", "--board", "met", "--flash", "socket://localhost:1"],
            "only a board on a serial port of this machine",
        ),
    ],
)
def test_a_wrong_command_gets_one_clear_line(
    arguments: list[str], says: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "file").write_text("")
    assert main(["firmware", str(DEMO), *(word.format(tmp=tmp_path) for word in arguments)]) == 2
    out, err = capsys.readouterr()
    assert says.format(tmp=tmp_path) in err
    assert (out, err.count("\n")) == ("", 1)
    assert [path.name for path in tmp_path.iterdir()] == ["file"]


def test_a_refused_panel_leaves_nothing_and_names_each_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "desk.toml"
    file.write_text(BOARD + lamp("a", "D5") + lamp("b", "D5") + lamp("c", "D1"))
    assert main(["firmware", str(file), "-o", str(tmp_path / "out")]) == 2
    lines = capsys.readouterr().err.splitlines()
    assert [line.split(": ")[1] for line in lines] == [f"{file}:8", f"{file}:10"]
    assert not (tmp_path / "out").exists()


def test_without_a_compiler_it_says_so_and_estimates(
    tmp_path: Path, no_compiler: None, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["firmware", str(DEMO), "--board", "met", "-o", str(tmp_path / "out")]) == 0
    out = capsys.readouterr().out
    assert "not compiled, as make, avr-gcc, avr-size, avr-objcopy are not installed" in out
    assert "apt-get install gcc-avr avr-libc" in out
    assert "2.1 % fast" in out


@pytest.mark.skipif(bool(tools.missing(tools.COMPILERS)), reason=tools.missing(tools.COMPILERS))
def test_what_does_not_compile_is_not_delivered(tmp_path: Path) -> None:
    wanted = folder.files(demo_plan("power"))
    wanted["benchboard/panel_map.c"] += b"this is no C;\n"

    def look(new: Path) -> None:
        tools.build(new)

    with pytest.raises(Trouble, match=r"^the firmware does not compile: .*panel_map\.c:.*error"):
        folder.write(tmp_path / "out", wanted, look=look)
    assert list(tmp_path.iterdir()) == []


def test_every_pin_of_both_chips_has_a_port_or_only_reads_voltages() -> None:
    for name, ports in PORTS.items():
        for pin in ports:
            if not CHIPS[name].analogue_only(pin):
                letter, bit = CHIPS[name].port_of(pin)
                assert letter in "ABCDEFGHJKL"
                assert 0 <= bit <= 7
