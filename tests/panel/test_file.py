"""A panel file is read as it is meant; every kind of mistake is one clear line with file, line and key."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from misspelt import misspelt

import benchcon.demo
from benchcon.errors import Trouble
from benchcon.panel.file import LARGEST, inspect, load, loads
from benchcon.panel.model import Panel, Place, Wire
from benchcon.text import printable

BOARD = """\
[panel]
title = "Test"
width = "300 mm"
height = "200 mm"
[boards.desk]
chip = "atmega328p"
"""


def findings(text: str | bytes, *, grave: bool = True) -> list[str]:
    return [str(finding) for finding in inspect(text, "desk.toml")[1] if finding.grave is grave]


def test_a_part_is_read_with_all_that_is_said_of_it() -> None:
    panel = loads(
        BOARD
        + """
[controls.gear]
label = "Gear lever"
kind = "switch"
positions = ["up", "off", "down"]
springs_back = ["down"]
code = [[1, 0], [0, 0], [0, 1]]
at = ["2 in", "60 mm"]
debounce = "5 ms"
act_on = "first edge"
wired = false
note = "lever arm from the old panel"
channels = [
  { id = "desk.up", pin = "D4", connector = "J1", connector_pin = "3", wire = "blue" },
  { id = "down", active = "high" },
]
[lamps.beacon]
colour = "red"
current = "0.012 A"
forward = "1.9 V"
on = "80 %"
trim = "90 %"
channel = "desk.l1"
"""
    )
    gear, beacon = panel.controls[0], panel.lamps[0]
    assert gear.place == Place(50.8, 60.0)  # an inch is 25.4 mm (ISO 31-1)
    assert gear.codes == ((1, 0), (0, 0), (0, 1))
    assert gear.spring == (2,)
    assert (gear.debounce_ms, gear.act_on, gear.wired) == (5, "first edge", False)
    assert [(c.board, c.id, c.active) for c in gear.channels] == [("desk", "up", "low"), ("desk", "down", "high")]
    assert gear.channels[0].wire == Wire("D4", "J1", "3", "blue")
    assert gear.channels[1].line == 21
    assert (beacon.current_ma, beacon.forward_mv, beacon.on_permille, beacon.trim_permille) == (12, 1900, 800, 900)
    assert beacon.label == "Beacon"
    assert gear.line == 8


def test_the_usual_codes() -> None:
    five = "positions = ['a', 'b', 'c', 'd', 'e']\n"
    head = BOARD + "[controls.knob]\nkind = 'switch'\n" + five
    one_each = loads(head + "channels = ['c1', 'c2', 'c3', 'c4', 'c5']").controls[0]
    assert one_each.codes[2] == (0, 0, 1, 0, 0)
    gray = loads(head + "channels = ['c1', 'c2', 'c3']\ncode = 'gray'").controls[0]
    # Source: the reflected binary (Gray) code, 000 001 011 010 110: one bit changes at each step.
    assert gray.codes == ((0, 0, 0), (0, 0, 1), (0, 1, 1), (0, 1, 0), (1, 1, 0))
    binary = loads(head + "channels = ['c1', 'c2', 'c3']\ncode = 'binary'").controls[0]
    assert binary.codes == ((0, 0, 0), (0, 0, 1), (0, 1, 0), (0, 1, 1), (1, 0, 0))
    own = loads(head + "channel = 'sel'").controls[0]
    assert own.codes == ((0,), (1,), (2,), (3,), (4,))


LAMP = '[lamps.a]\nchannel = "desk.a"\n'
SWITCH = '[controls.s]\nkind = "switch"\n'
MISTAKES = [
    # what is appended to BOARD (lines count from 7) → line, and words that the message must hold
    ("[lamps.a\n", 7, ["not TOML", "column"]),
    ("title = \n", 7, ["not TOML"]),
    (LAMP + "[lamps.a]\n", 9, ["lamps.a", "twice"]),
    (
        "[boards.other]\n" + SWITCH + 'channels = ["desk.a", "other.a"]\ncode = "gray"\npositions = ["a", "b", "c"]\n',
        8,
        ["controls.s has contacts on several boards", "desk", "other", "wire them all to one"],
    ),
    (LAMP + "channel = 'desk.b'\n", 9, ["channel", "twice"]),
    (LAMP + "color = 'red'\n", 9, ["lamps.a.color", "unknown", 'mean "colour"']),
    (LAMP + "colour = 'gren'\n", 9, ["lamps.a.colour", '"gren"', "red, amber, green, blue, white", 'mean "green"']),
    (LAMP + "colour = 3\n", 9, ["lamps.a.colour is 3", "allowed: red"]),
    (LAMP + "at = ['150 V', '10 mm']\n", 9, ["lamps.a.at[1]", "150 V", "voltage", "length", "150 mm"]),
    (LAMP + "at = ['150 mmm', '10 mm']\n", 9, ["mmm", "allowed: mm, cm, m, in", 'mean "150 mm"']),
    (LAMP + "at = ['10 mm']\n", 9, ["two lengths"]),
    (LAMP + "at = [10, 20]\n", 9, ["lamps.a.at[1] is 10", '"10 mm"']),
    (LAMP + "at = ['10', '20 mm']\n", 9, ["unit"]),
    (LAMP + "at = ['-5 mm', '20 mm']\n", 9, ["-5 mm", "0 mm"]),
    (LAMP + "at = ['310 mm', '20 mm']\n", 7, ["310 mm", "off the panel", "300 mm wide"]),
    (LAMP + "current = '20 ma'\n", 9, ["lamps.a.current", 'mean "20 mA"']),
    (LAMP + "current = 20\n", 9, ["lamps.a.current is 20", '"20 mA"']),
    (LAMP + "current = '45 mA'\npin = 'D4'\n", 10, ["lamps.a.pin", "of a channel", "channel = {"]),
    (LAMP + "on = 80\n", 9, ['"80 %"']),
    (LAMP + "on = '180 %'\n", 9, ["180 %", "100 %"]),
    (LAMP + "wired = 'no'\n", 9, ["true, false"]),
    (LAMP + "label = 5\n", 9, ["label is 5", "quotes", '"5"']),
    (LAMP + 'label = "\\u001b[2J"\n', 9, ["\\x1B[2J", "control characters"]),
    (LAMP + f'label = "{"x" * 61}"\n', 9, ["61 characters", "60"]),
    ("[lamps.Beacon]\nchannel = 'a'\n", 7, ["lamps.Beacon", 'mean "beacon"']),
    ("[lamps.a]\n", 7, ["lamps.a", "lacks its channel"]),
    ("[lamps.a]\nchannel = 'dsk.a'\n", 8, ["dsk", "allowed: desk", 'mean "desk"']),
    ("[lamps.a]\nchannel = 'desk.A1'\n", 8, ["desk.A1", "a-z"]),
    ("[lamps.a]\nchannel = 'desk.toolongid'\n", 8, ["1 to 8"]),
    ("[lamps.a]\nchannel = 'all'\n", 8, ["lamps.a.channel", '"all"', "read all"]),
    ("[lamps.a]\nchannel = { pin = 'D4' }\n", 8, ["lamps.a.channel", "lacks id"]),
    ("[lamps.a]\nchannel = { id = 'a', pin = 'PD4' }\n", 8, ["PD4", "D4, A0, 165.0"]),
    ("[lamps.a]\nchannel = { id = 'a', pin = 'D44' }\n", 8, ["D44", "atmega328p", "D2 to D13", "A0 to A7"]),
    ("[lamps.a]\nchannel = { id = 'a', pin = 'D1' }\n", 8, ["D1", "serial port"]),
    ("[lamps.a]\nchannel = { id = 'a', pin = '165.0' }\n", 8, ["165.0", "cannot serve", "595.0"]),
    ("[lamps.a]\nchannel = { id = 'a', pin = '595.0' }\n", 8, ["595.0", "no 74HC595", "chains.595"]),
    ("[lamps.a]\nchannel = { id = 'a', pin = 'A6' }\n", 8, ["A6", "potentiometers only"]),
    ("[lamps.a]\nchannel = { id = 'a', pinn = 'D4' }\n", 8, ["pinn", 'mean "pin"']),
    (SWITCH + "channels = ['a', 'b']\ndarkens = true\n", 10, ["controls.s.darkens", "one contact"]),
    (
        SWITCH + "channel = 'a'\ndarkens = true\n[controls.t]\nkind = 'button'\nchannel = 'b'\ndarkens = true\n",
        11,
        ["controls.t.darkens", "desk has a dark switch already", "controls.s (line 7)"],
    ),
    ("[controls.e]\nkind = 'pot'\nchannel = 'a'\ndarkens = true\n", 10, ["controls.e.darkens", "unknown"]),
    (LAMP + "[lamps.b]\nchannel = 'desk.a'\n", 10, ["lamps.b", "desk.a", "lamps.a has already", "line 8"]),
    (LAMP + "[controls.a]\nkind = 'button'\nchannel = 'desk.b'\n", 7, ["lamps.a", "controls.a", "name of its own"]),
    (
        "[lamps.a]\nchannel = { id = 'a', pin = 'D4' }\n[lamps.b]\nchannel = { id = 'b', pin = 'D4' }\n",
        10,
        ["lamps.b", "D4", "lamps.a", "line 8"],
    ),
    ("[lamps.a]\ncurrent = '45 mA'\nchannel = { id = 'a', pin = 'D4' }\n", 7, ["45 mA", "40 mA", "transistor"]),
    ("[lamps.a]\nforward = '6 V'\nchannel = 'a'\n", 7, ["6 V", "5 V"]),
    ("[boards.two]\nbudget = '700 mA'\n", 7, ["700 mA", "USB", "500 mA"]),
    ("[boards.two]\nident = 'desk'\n", 7, ["ident", "boards.desk"]),
    ("[boards.two]\nchip = 'atmega328'\n", 8, ["atmega328p, atmega328pb, atmega2560", 'mean "atmega328p"']),
    ("[boards.two-b]\n", 7, ["two-b", 'mean "two_b"']),
    ("[boards.two]\n[lamps.a]\nchannel = 'l1'\n", 9, ["without its board", "desk.l1, two.l1"]),
    (SWITCH + "channels = ['a', 'b']\npositions = ['x', 'y', 'z']\n", 7, ["3 positions on 2 channels", "code"]),
    (
        "[displays.d]\nchannel = 'd'\ndigits = '4'\nformat = '000'\nat = ['40', '5 mm']\n",
        11,
        ['displays.d.at[1] is "40": it lacks its unit; write it with one, such as "40 mm"'],
    ),
    (
        "[controls.c]\nkind = 'button'\nat = ['5 mm', '5 mm']\nchannel = 'c'\nlit = { color = 'red', channel = 'l' }\n",
        11,
        ["controls.c.lit.color is unknown here; allowed: answers, body, channel, colour"],
    ),
    (
        SWITCH + "channels = ['a', 'b']\npositions = ['v', 'w', 'x', 'y', 'z']\ncode = 'gray'\n",
        11,
        ['code is "gray", and there are 5 positions; it fits up to 4 positions on 2 channels'],
    ),
    (
        SWITCH + "channels = ['a', 'b']\npositions = ['x', 'y', 'z']\ncode = 'one of'\n",
        11,
        ['code is "one of", and there are 3 positions; it fits 2 positions on 2 channels'],
    ),
    (SWITCH + "channels = ['a', 'b']\ncode = [[0, 1]]\n", 9 + 1, ["cover"]),
    (SWITCH + "channels = ['a', 'b']\ncode = [[0, 1], [0, 1]]\n", 10, ["code[2]", '"on"', '"off"']),
    (SWITCH + "channels = ['a', 'b']\ncode = [[0, 1], [1, 1]]\n", 10, ["channel 2", "distinguishes nothing"]),
    (SWITCH + "channels = ['a', 'b']\ncode = 'grey'\n", 10, ["grey", 'mean "gray"']),
    (SWITCH + "channel = 'a'\npositions = ['x', 'x']\n", 10, ["different words"]),
    (SWITCH + "channel = 'a'\nsprings_back = ['of']\n", 10, ["springs_back[1]", "off, on", 'mean "off"']),
    ("[controls.b]\nkind = 'buton'\nchannel = 'b'\n", 8, ["buton", "button, switch, encoder, pot", 'mean "button"']),
    ("[controls.b]\nchannel = 'b'\n", 7, ["kind"]),
    ("[controls.e]\nkind = 'encoder'\nchannel = { id = 'e', pin = 'D2' }\n", 9, ["two", "D2/D3"]),
    ("[controls.p]\nkind = 'pot'\nchannel = { id = 'p', pin = 'D4' }\n", 9, ["analogue", "A0"]),
    ("[controls.p]\nkind = 'pot'\nlow = 9\nhigh = 3\nchannel = 'p'\n", 9, ["low is 9", "below high"]),
    ("[controls.b]\nkind = 'button'\nchannel = { id = 'b', pin = 'keys.r0c0' }\n", 9, ["unknown matrix"]),
    ("[matrices.keys]\nrows = ['D4']\ncolumns = ['Q5']\n", 9, ["matrices.keys.columns[1]", '"Q5"']),
    ("[displays.d]\nchannel = 'd'\n", 7, ["digits"]),
    ("[displays.d]\nchannel = 'd'\ndigits = 9\n", 9, ["digits is 9", "1 to 8"]),
    ("[displays.d]\nchannel = 'd'\ndigits = 3\nformat = '0000'\n", 10, ["0000", "4 digits", "has 3"]),
    ("[displays.d]\nchannel = 'd'\ndigits = 3\nformat = '%03d'\n", 10, ["%03d", "not a format"]),
    ("[displays.d]\nchannel = 'd'\nplaces = 3\n", 9, ["places is called digits now"]),
    ("[digits.d]\nchannel = 'd'\nplaces = 3\n", 7, ["digits is called displays now", "[displays.NAME]"]),
    ("triggers = 3\n", 7, ["unknown"]),  # under [boards.desk]
    ("[lights.a]\n", 7, ["lights", "unknown"]),
]


THREE = SWITCH + 'channels = ["a", "b", "c"]\n'
ONCE = [
    # One mistake, and the consequences were told too: a file with one slip in it looked as if it had three.
    (THREE + 'position = ["low", "mid", "high"]\n', 10, ["controls.s.position", 'mean "positions"']),
    (
        THREE + 'positons = ["low", "mid", "high"]\nbegins = "mid"\nsprings_back = ["high"]\ncode = "gray"\n',
        10,
        ['mean "positions"'],
    ),
    (SWITCH + 'channels = ["a", "b"]\npositions = ["x", "y", "z"]\ncod = "gray"\n', 11, ['mean "code"']),
    (
        "[controls.k]\nchannel = 'a'\nkind = 'knob'\ncounts_per_detent = 2\ninverted = true\n",
        9,
        ["controls.k.kind", "button, switch, encoder, pot", 'mean "encoder" or "pot"'],
    ),
    ("[controls.k]\nchannel = 'a'\nkind = 'rotary encoder'\ncounts_per_detent = 2\n", 9, ['mean "encoder"?']),
    (
        "[controls.k]\nchannel = 'a'\nkind = 'lever'\npositions = ['up', 'off', 'down']\nbegins = 'down'\n",
        9,
        ["controls.k.kind", "allowed: button, switch, encoder, pot"],
    ),
    ("[controls.k]\nchannel = 'a'\nkid = 'switch'\nbegins = 'on'\n", 9, ["controls.k.kid", 'mean "kind"']),
    ("[controls.k]\nchannel = 'a'\nlow = 3\n", 7, ["controls.k lacks its kind"]),
    ("[lamps.a]\nchanel = 'a'\n", 8, ['mean "channel"']),
    ("[lamps.a]\nchannels = ['a']\n", 8, ['mean "channel"']),
    ("[lamps.a]\nchannel = { ident = 'a' }\n", 8, ["lamps.a.channel.ident", 'mean "id"']),
    ("[displays.d]\nchannel = 'd'\ndigit = 3\n", 9, ['mean "digits"']),
    ("[displays.d]\nchannel = 'd'\ndigit_height = '20 mm'\n", 7, ["lacks digits"]),
    ("[supplies.s]\nfeed = ['desk']\non_wen = [{ k = 'on' }]\n", 8, ['mean "feeds"']),
    ("[matrices.keys]\nrow = ['D4']\ncolumns = ['D5']\n", 8, ['mean "rows"']),
    (THREE.replace('"b"', '"b2345678901"') + 'positions = ["x", "y", "z"]\n', 9, ["controls.s.channels[2]", "1 to 8"]),
    (SWITCH + "channel = ['a', 'b']\n", 9, ["controls.s.channel is", "a list of channels is called channels"]),
    ("[displays.d]\nchannel = 'd'\ndgits = 3\nformat = '000'\n", 9, ['mean "digits"']),
    ("[lamps.a]\nchannel = 'a'\nanswer = 's'\nwithin = '50 ms'\n", 9, ['mean "answers"']),
    (
        "".join(f"[lamps.a{n}]\nchannel = 'dsk.a{n}'\n" for n in range(5)),
        8,
        ["lamps.a0.channel", 'unknown board "dsk"', 'mean "desk"', "(and in 4 more places)"],
    ),
    (
        "".join(f"[lamps.a{n}]\nchannel = 'a{n}'\nat = ['{340 + n} mm', '20 mm']\n" for n in range(4)),
        3,
        ["panel.width is 300 mm", "4 parts are off the panel", "line 7", "the furthest is at 343 mm"],
    ),
    # The wrong one of two usual boards' chips: the Mega's pins (its pinout) are not on a Uno.
    (
        "[lamps.a]\nchannel = { id = 'a', pin = 'D30' }\nrepeat = { columns = 6 }\n"
        "[controls.p]\nkind = 'pot'\nchannel = { id = 'p', pin = 'A9' }\n",
        6,
        ['boards.desk.chip is "atmega328p"', "D30, D31, D32, D33 and 3 more", "line 8", 'mean "atmega2560"'],
    ),
    (
        "[controls.s]\nkind = 'switch'\nchannels = [{ id = 'a', pin = 'D14' }, { id = 'b', pin = 'D15' }]\n",
        6,
        ["no D14 and D15", "D2 to D13 and A0 to A7"],
    ),
]


@pytest.mark.parametrize(
    ("text", "line", "says"),
    [
        (
            "[lamps.a]\nchannel = 'a'\nposition = 'left'\n",
            9,
            "lamps.a.position is unknown here; allowed: answers, at, ",
        ),
        (
            "[lamps.a]\nchannel = { id = 'a', colour = 'red' }\n",
            8,
            "lamps.a.channel.colour is unknown here; allowed: active, connector, connector_pin, id, pin, wire",
        ),
    ],
)
def test_a_key_that_is_near_to_none_gets_the_list_of_those_allowed_and_no_guess(
    text: str, line: int, says: str
) -> None:
    (only,) = findings(BOARD + text)
    assert only.startswith(f"desk.toml:{line}: {says}")
    assert "did you mean" not in only


@pytest.mark.parametrize("heading", ["board", "baords", "Boards", "boardss"])
def test_a_misspelt_heading_of_a_board_is_told_once_and_not_again_at_every_channel(heading: str) -> None:
    parts = "[lamps.a]\nchannel = 'met.a'\n[lamps.b]\nchannel = 'met.b'\n"
    matrix = "[matrices.keys]\nboard = 'met'\nrows = ['D4']\ncolumns = ['D5']\n"
    (only,) = findings(f"[{heading}.met]\n{parts}{matrix}")
    assert only.startswith(f"desk.toml:1: {heading} is unknown here; ")
    assert only.endswith('; did you mean "boards"?')


@pytest.mark.parametrize(("text", "line", "words"), ONCE, ids=[case[2][0] for case in ONCE])
def test_one_mistake_is_told_once(text: str, line: int, words: list[str]) -> None:
    found = findings(BOARD + text)
    others = [each for each in found if each.startswith("desk.toml:9") and "on_wen" in each]  # a second slip
    (only,) = [each for each in found if each not in others]
    assert only.startswith(f"desk.toml:{line}: "), only
    assert all(word in only for word in words), only


OSTREY = (Path(benchcon.demo.__file__).parent / "ostrey.toml").read_text("utf-8")
CONTROLS = tomllib.loads(OSTREY)["controls"]
KEYS = [
    match.span(1)
    for match in re.finditer(r"(?m)(?:^|[{,] )([a-z_]{3,})(?= = )", OSTREY)
    if match[1] not in CONTROLS  # in a supply's sources they stand where keys do
]


@given(st.sampled_from(KEYS), st.data())
def test_a_misspelt_key_of_the_demo_is_told_once_where_it_is(span: tuple[int, int], data: st.DataObject) -> None:
    """One letter left out, doubled or swapped with the one before, anywhere in a whole panel file."""
    begin, end = span
    key = OSTREY[begin:end]
    wrong = misspelt(key, data)
    line = OSTREY.count("\n", 0, begin) + 1
    (only,) = findings(OSTREY[:begin] + wrong + OSTREY[end:])
    assert only.startswith(f"desk.toml:{line}: ")
    if key == "channels":  # may be taken for `channel`
        assert " channel" in only
    else:
        assert re.search(rf'\b{wrong}\b.* did you mean "{key}"\?', only), only


def test_a_control_of_no_kind_may_have_the_keys_of_every_kind() -> None:
    def allowed(kind: str) -> set[str]:
        (line,) = findings(f'{BOARD}[controls.c]\nchannel = "a"\nkind = "{kind}"\nxyz = 1\n')[-1:]
        return set(re.split(r"allowed: |; did", line)[1].split(", "))

    kinds = ("button", "switch", "encoder", "pot")
    assert set.union(*map(allowed, kinds)) == allowed("lever")


def test_a_pin_that_no_chip_has_is_told_of_its_part() -> None:
    text = "[lamps.a]\nchannel = { id = 'a', pin = 'D30' }\nrepeat = { columns = 2 }\n"
    chip, pin = findings(f"{BOARD}{text}[lamps.b]\nchannel = {{ id = 'b', pin = 'D77' }}\n")
    assert "boards.desk.chip" in chip
    allowed = "D2 to D53 and A0 to A15"
    assert pin == f"desk.toml:11: lamps.b uses the pin D77, but an atmega2560 has no such pin; allowed: {allowed}"


@pytest.mark.parametrize(
    ("text", "line", "words"), MISTAKES, ids=[m[2][0] + "-" + str(i) for i, m in enumerate(MISTAKES)]
)
def test_a_mistake_is_one_line_that_says_where_and_what(text: str, line: int, words: list[str]) -> None:
    found = findings(BOARD + text)
    fits = [each for each in found if all(word in each for word in words)]
    assert fits, found
    assert fits[0].startswith(f"desk.toml:{line}: ")
    assert "\n" not in fits[0]
    with pytest.raises(Trouble) as error:
        loads(BOARD + text, "desk.toml")
    assert str(error.value) == found[0]


def test_chains_bound_their_places() -> None:
    chained = BOARD + "chains.7219 = { data = 'D11', clock = 'D13', load = 'D10' }\n"
    two = "[displays.a]\ndigits = 5\nchannel = { id = 'a', pin = '7219.0' }\n[displays.b]\ndigits = 5\n"
    assert any("7219.4" in each for each in findings(chained + two + "channel = { id = 'b', pin = '7219.4' }\n"))
    found = findings(chained + two + "channel = { id = 'b', pin = '7219.5' }\n")
    assert any("7219.9" in each and "7219.7" in each for each in found)
    taken = findings(chained + "[lamps.l]\nchannel = { id = 'l', pin = 'D13' }\n")
    assert any("D13" in each and "chains.7219.clock" in each for each in taken)


def test_a_matrix_tells_its_controls_whether_there_are_diodes() -> None:
    text = BOARD + "[matrices.keys]\nrows = ['D4', 'D5']\ncolumns = ['D6', 'D7']\ndiodes = false\n"
    panel = loads(text + "[controls.b]\nkind = 'button'\nchannel = { id = 'b', pin = 'keys.r1c0' }\n")
    assert (panel.controls[0].matrix, panel.controls[0].diodes) == ("keys", False)
    found = findings(text + "[controls.b]\nkind = 'button'\nchannel = { id = 'b', pin = 'keys.r2c0' }\n")
    assert any("keys.r2c0" in each and "r1c1" in each for each in found)


def test_advice_does_not_keep_a_panel_from_being_opened() -> None:
    text = BOARD + LAMP + "at = ['50 mm', '50 mm']\n[lamps.b]\nchannel = 'b'\nlabel = 'A'\nat = ['52 mm', '50 mm']\n"
    text += "[lamps.c]\nchannel = { id = 'c', pin = 'D4' }\ncurrent = '25 mA'\n"
    assert findings(text) == []
    advice = findings(text, grave=False)
    assert any("overlaps lamps.a" in each for each in advice)
    assert any('labelled "A"' in each for each in advice)
    assert any("25 mA" in each and "20 mA" in each for each in advice)
    assert len(loads(text).lamps) == 3


def test_all_mistakes_of_a_file_are_found_at_once() -> None:
    text = BOARD + LAMP + "colour = 'x'\ncurrent = 3\nat = 5\n[displays.d]\ndigits = 0\n"
    found = findings(text)
    assert len(found) == 5
    assert [int(each.split(":")[1]) for each in found] == [9, 10, 11, 12, 13]


def test_triggers_pass_through_with_their_lines() -> None:
    panel = loads(BOARD + "[[triggers]]\nkind = 'chatter'\n\n[[triggers]]\nkind = 'gap'\nwithin = '2 s'\n")
    assert [raw.values["kind"] for raw in panel.triggers] == ["chatter", "gap"]
    assert (panel.triggers[1].line, panel.triggers[1].lines["within"]) == (10, 12)


def test_files_that_are_not_utf8(tmp_path) -> None:  # type: ignore[no-untyped-def]
    assert findings(BOARD.encode() + b"# gr\xfcn\n") == [
        "desk.toml:7: holds the byte FCh, which is not UTF-8; save it as UTF-8"
    ]
    assert "UTF-16" in findings(BOARD.encode("utf-16"))[0]
    assert findings(b"%PDF-1.7\n%\xe2\xe3\xcf\xd3\n") == ["desk.toml: is a PDF, not a panel file, which is plain text"]
    assert findings(b"\x00\x01\x02\xff\n") == ["desk.toml: is not text, and so not a panel file"]
    # Some editors put a mark in front of UTF-8 and end lines with CR LF: both are welcome.
    marked = tmp_path / "desk.toml"
    marked.write_bytes(b"\xef\xbb\xbf" + BOARD.replace("\n", "\r\n").encode())
    assert load(marked).title == "Test"


def test_a_file_that_cannot_be_read_is_one_line(tmp_path) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(Trouble, match="No such file"):
        load(tmp_path / "none.toml")
    with pytest.raises(Trouble, match="directory"):
        load(tmp_path)
    huge = tmp_path / "huge.toml"
    huge.write_bytes(b"#" * (LARGEST + 1))
    with pytest.raises(Trouble, match="larger than"):
        load(huge)
    with pytest.raises(Trouble, match="larger than"):
        load("/dev/zero")


@settings(max_examples=200, deadline=None)
@given(st.binary(max_size=200) | st.text(max_size=200).map(lambda text: text.encode("utf-8", "surrogatepass")))
@example(b"a=" + b"[" * 3000)
@example(b"a=" + b"{b=" * 3000)
@example(b"a=" + b"9" * 5000)
@example(b"[boards]\n[boards.a]\nchains = 3\n")
def test_any_bytes_give_a_panel_or_trouble(raw: bytes) -> None:
    panel, found = inspect(raw, "x.toml")
    assert all(printable(str(finding)) == str(finding) for finding in found)
    if any(finding.grave for finding in found):
        with pytest.raises(Trouble):
            loads(raw, "x.toml")
    else:
        assert isinstance(panel, Panel)


_WORDS = """true|3|-1|1e300|nan|'red'|'5 mm'|'20 mA'|'80 %'|'desk.a'|'a'|['1 mm','2 mm']|[[0,1],[1,0]]|['off','on']|{}
[]|{id='b',pin='D4'}|['a','b']|[{id='c'}]|'D2/D3'|'switch'|'encoder'|'pot'|'gray'|'165.0'|'9**9**9 mm'|1979-05-27"""
_KEYS = """label kind channel channels positions code at size current forward on trim colour places format chip budget
supply chains wired note low high intensity look test_current role resistors
darkens springs_back debounce rows columns board ident external_supply title width"""
_ASSIGNMENTS = st.tuples(st.sampled_from(_KEYS.split()), st.sampled_from(_WORDS.replace("\n", "|").split("|")))
_TABLES = st.sampled_from(
    [
        "panel",
        "boards.desk",
        "boards.b",
        "controls.s",
        "controls.e",
        "lamps.a",
        "digits.d",
        "matrices.m",
        "boards",
        "lamps",
    ]
)


@settings(max_examples=400, deadline=None)
@given(st.lists(st.tuples(_TABLES, st.lists(_ASSIGNMENTS, max_size=8)), max_size=6))
def test_any_toml_gives_a_panel_or_findings(tables: list[tuple[str, list[tuple[str, str]]]]) -> None:
    text = "".join(
        f"[{name}]\n" + "".join(f"{key} = {value}\n" for key, value in dict(pairs).items())
        for name, pairs in dict(tables).items()
    )
    try:
        tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return
    panel, found = inspect(text, "x.toml")
    assert panel is not None
    for finding in found:
        assert printable(str(finding)) == str(finding)
        assert 0 <= finding.line <= text.count("\n") + 1


def test_more_parts_than_any_plate_holds_are_refused_in_one_line() -> None:
    many = "[boards.desk]\n" + "".join(f'[lamps.l{n}]\nchannel = "desk.l{n}"\n' for n in range(5000))
    _, findings = inspect(many)
    (grave,) = (finding.text for finding in findings if finding.grave)
    assert grave == "the file has 5000 parts; a panel has 2000 at most: make it several panels"


@pytest.mark.parametrize(
    ("value", "said"),
    [
        ("5", 'such as "5 mm"'),
        ("-1", 'is allowed: from "0 mm" to "10 m"'),
        ("nan", 'is allowed: from "0 mm" to "10 m"'),
        ("1e300", 'is allowed: from "0 mm" to "10 m"'),
    ],
)
def test_a_number_without_its_unit_is_never_answered_with_one_that_is_refused_too(value: str, said: str) -> None:
    (found,) = findings(BOARD + LAMP + f'at = ["20 mm", {value}]\n')
    assert said in found


def test_labels_in_scripts_that_are_written_with_joiners() -> None:
    label = "\u0645\u06cc\u200c\u062e\u0648\u0627\u0647\u0645"
    assert loads(BOARD + LAMP + f'label = "{label}"\n').parts[0].label == label
    assert "control characters" in findings(BOARD + LAMP + 'label = "ab\u202ecd"\n')[0]
