"""Plugs, matrices, chains and displays' modules: what the board reads, worked out by hand from data sheets.

74HC165: H is the first bit out and A the last, then what stands at SER (Texas Instruments SCLS116, function table; from
memory). 74HC595: QH' feeds the chip behind it (SCLS041; from memory). Inputs with pull-ups and contacts that close to a
common, one diode at each contact of a matrix with its cathode to the row: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchcon.errors import Trouble
from benchcon.panel.file import loads
from benchcon.rehearse.virtual import VirtualBench
from benchcon.rig import copper, faults_file, loom
from benchcon.rig.faults import check, fault_of_words
from benchcon.rig.wiring import Wiring, wiring

TEXT = """
[boards.a]
chains.165 = { data = "D12", clock = "A0", load = "A1", chips = 2 }
chains.595 = { data = "D11", clock = "D13", load = "D10", chips = 2 }
[matrices.keys]
board = "a"
rows = ["D22", "D23"]
columns = ["D24", "D25"]
"""


def desk() -> Wiring:
    text = TEXT
    for n in range(16):
        text += f'[controls.b{n}]\nkind = "button"\nchannel = {{ id = "a.b{n}", pin = "165.{n}" }}\n'
        text += f'[lamps.l{n}]\ncurrent = "4 mA"\nchannel = {{ id = "a.l{n}", pin = "595.{n}" }}\n'
    for n in range(4):
        pin = f'pin = "keys.r{n // 2}c{n % 2}"'
        text += f'[controls.k{n}]\nkind = "button"\nchannel = {{ id = "a.k{n}", {pin} }}\n'
    for n in range(1, 5):
        wire = f'connector = "J1", connector_pin = "{n}"'
        text += f'[controls.p{n}]\nkind = "button"\nchannel = {{ id = "a.p{n}", pin = "D{n + 1}", {wire} }}\n'
    return wiring(loads(text, "copper.toml"), "a")


DESK = desk()


def reads(held: str, *faults: str) -> str:
    """What reads made while these are held."""
    there = [fault_of_words(text.split()) for text in faults]
    for fault in there:
        check(fault, DESK)
    made = {id_: id_ in held.split() for id_, kind in DESK.kinds.items() if kind == "contact"}
    return " ".join(id_ for id_, is_made in loom.contacts(made, DESK, there).items() if is_made)


def shines(driven: str, *faults: str) -> str:
    """Which lamps shine while these are driven."""
    levels = {id_: 1000 * (id_ in driven.split()) for id_, kind in DESK.kinds.items() if kind == "lamp"}
    there = [fault_of_words(text.split()) for text in faults]
    return " ".join(id_ for id_, level in loom.lit(levels, DESK, there).items() if level)


@pytest.mark.parametrize(
    ("held", "fault", "seen"),
    [
        # H (bit 7) comes first. A bit late, what H puts out is taken for G, and A for H of the next chip.
        ("b7", "chain_shifted chain=165 by=1", "b6"),
        ("b0", "chain_shifted chain=165 by=1", "b15"),
        ("b8", "chain_shifted chain=165 by=1", ""),
        ("b15", "chain_shifted chain=165 by=-1", "b0"),
        ("b1", "chips_in_another_order chain=165 order=2,1", "b9"),
        ("b1", "chip_pins_reversed chain=165 chip=1", "b6"),
        ("b9", "chip_pins_reversed chain=165 chip=1", "b9"),
        # The nearest chip's output is stuck: what is behind it comes through it too.
        ("b1 b9", "chip_dead chain=165 chip=1 reads=0 behind=yes", ""),
        ("b1 b9", "chip_dead chain=165 chip=1 reads=0 behind=no", "b9"),
        ("b1 b9", "chip_bridged chain=165 chip=1", "b1"),
    ],
)
def test_a_chain_of_inputs_is_read_h_first(held: str, fault: str, seen: str) -> None:
    assert reads(held, fault) == seen


@pytest.mark.parametrize(
    ("driven", "fault", "lit"),
    [
        ("l3", "chain_shifted chain=595 by=1", "l4"),
        ("l7", "chain_shifted chain=595 by=1", "l8"),
        ("l0", "chain_shifted chain=595 by=-1", ""),
        ("l1", "chips_in_another_order chain=595 order=2,1", "l9"),
        ("l1", "chip_pins_reversed chain=595 chip=1", "l6"),
        ("l1 l9", "chip_dead chain=595 chip=1 behind=yes", "l1"),
        ("l1 l9", "chip_dead chain=595 chip=1", "l9"),
    ],
)
def test_a_chain_of_outputs_hands_on_from_qh(driven: str, fault: str, lit: str) -> None:
    assert shines(driven, fault) == lit


@pytest.mark.parametrize(
    ("held", "fault", "seen"),
    [
        ("k0 k1 k2", "", "k0 k1 k2"),
        ("k0 k1 k2", "diodes_missing matrix=keys", "k0 k1 k2 k3"),
        ("k0", "diodes_backwards matrix=keys", ""),
        ("k0 k1", "matrix_line_off matrix=keys line=row number=0", ""),
        ("k1 k2", "matrix_line_off matrix=keys line=column number=0", "k1"),
        ("k0", "matrix_lines_crossed matrix=keys line=row numbers=0,1", "k2"),
        ("k0", "matrix_lines_crossed matrix=keys line=column numbers=0,1", "k1"),
        # The row's wire sits on a pin that only listens, the column's on one that only pulls: no current flows.
        ("k0 k1 k2", "matrix_lines_crossed matrix=keys line=both numbers=0,0", ""),
        ("k0 k3", "matrix_lines_crossed matrix=keys line=both numbers=0,0", "k3"),
        # Column 1, k1, row 0, back through k0, column 0, k2, row 1: k3 seems made. Through no other diode.
        ("k0 k1 k2", "diode_wrong k0 is=shorted", "k0 k1 k2 k3"),
        ("k0 k1 k3", "diode_wrong k0 is=shorted", "k0 k1 k3"),
        ("k0 k1", "diode_wrong k0 is=open", "k1"),
        ("k0", "diode_wrong k0 is=backwards", ""),
        ("k0 k1 k2", "diode_wrong k0 is=backwards", "k1 k2 k3"),
    ],
)
def test_a_matrix_is_a_current_from_a_column_to_the_row_that_is_low(held: str, fault: str, seen: str) -> None:
    assert reads(held, *filter(None, [fault])) == seen


@pytest.mark.parametrize(
    ("held", "fault", "seen"),
    [
        ("p1", "plug_shifted connector=J1 by=1", "p2"),
        ("p4", "plug_shifted connector=J1 by=1", ""),
        ("p1", "plug_reversed connector=J1", "p4"),
        # Turned round with its ground behind pin 4: the wire of p1 is on the ground pin, and the common on pin 1.
        ("p2", "plug_reversed connector=J1 ground=last", ""),
        ("p1", "plug_reversed connector=J1 ground=last", "p1"),
        ("p1 p2", "plug_reversed connector=J1 ground=last", "p1 p4"),
        ("p1 p2", "connector_off connector=J1", ""),
        ("p1 p3", "ground_open connector=J1 from=3", "p1"),
        # The ground of the plug is the first contact's wire now: that one works, the others only while it is made.
        ("p2", "ground_crossed p1", ""),
        ("p1", "ground_crossed p1", "p1"),
        ("p1 p2", "ground_crossed p1", "p1 p2"),
        # One hole on with its ground: the common ends at a pin with a pull-up, and nothing is made.
        ("p1", "plug_shifted connector=J1 by=1 ground=first", ""),
    ],
)
def test_a_plug_is_what_its_wires_are_joined_to(held: str, fault: str, seen: str) -> None:
    assert reads(held, fault) == seen


@given(st.lists(st.integers(0, 255), min_size=1, max_size=8))
def test_what_is_turned_twice_is_as_before(places: list[int]) -> None:
    assert copper.upside_down(copper.upside_down(places)) == places
    assert copper.ribbon(copper.ribbon(places, 0), 0) == places


def test_a_module_upside_down_shows_a_6_for_a_9() -> None:
    """Code B font of the MAX7219 (table 5; from memory): 6 is 5Fh and 9 is 7Bh."""
    assert copper.upside_down([0x5F]) == [0x7B]


def test_common_anodes_on_a_scanned_driver_are_lit_where_the_others_are_dark() -> None:
    """Two places of one chip: the one shows what the other does not."""
    text = '[boards.a]\nchains.7219 = { data = "D50", clock = "D51", load = "D49", chips = 1 }\n'
    text += '[displays.d]\ndigits = 2\nchannel = { id = "a.d", pin = "7219.0" }\n'
    panel = loads(text, "anode.toml")
    shown: Mapping[str, bytes] = {"d": b"\x7e\x30"}
    assert copper.common_anode("d", shown, wiring(panel, "a")) == bytes([0xCF, 0x81])


TWO = """
[boards.a]
[boards.b]
[controls.here]
kind = "button"
channel = { id = "a.k", pin = "D2", connector = "J1", connector_pin = "1" }
[controls.there]
kind = "button"
channel = { id = "b.x", pin = "D7", connector = "J1", connector_pin = "1" }
[lamps.here_lit]
current = "4 mA"
channel = { id = "a.l", pin = "D9", connector = "J1", connector_pin = "2" }
[lamps.there_lit]
current = "4 mA"
channel = { id = "b.m", pin = "D3", connector = "J1", connector_pin = "2" }
[lamps.alone]
current = "4 mA"
channel = { id = "b.n", pin = "D4", connector = "J1", connector_pin = "3" }
"""


def test_the_looms_of_two_boards_changed_round_take_contacts_and_lamps_along() -> None:
    from benchcon.state import BenchState

    panel = loads(TWO, "two.toml")
    fault = fault_of_words(["looms_interchanged", "boards=a,b"])
    state = BenchState(panel.text, panel.digest)

    def take(batches: list[Any], happened: list[Any]) -> None:
        for batch, events in zip(batches, happened, strict=True):
            state.take(batch, events)

    bench = VirtualBench(panel, state.observer, take, faults={"a": [fault], "b": [fault]})
    bench.open()
    bench.hand("a", "press k")
    until = bench.now_us() + 100_000
    while bench.now_us() < until:
        bench.go_to(min(bench.next_us() or until, until))
        bench.settle()
    assert bench.boards["b"].scan is not None
    assert bench.boards["a"].scan is not None
    # Board a has the firmware of b at its pins: what a hand presses on a's loom is reported as b.x.
    assert (bench.boards["a"].side.ident, bench.boards["a"].scan.values) == ("b", {"x": 1})
    bench.want("b", {"m": 1000, "n": 1000})
    bench.settle()
    assert (bench.boards["a"].lamps.lit, bench.boards["b"].lamps.lit) == ({"l": 1000}, {"m": 0, "n": 0})


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ("looms_interchanged", "either 'connectors' or 'boards'"),
        ("looms_interchanged boards=a", "'boards' must be two"),
        ("looms_interchanged boards=a,c", "the panel has no board 'c'"),
        ("looms_interchanged boards=a,b after=1s", "with the power off"),
        ("diode_wrong k", "is in no matrix"),
    ],
)
def test_what_cannot_be_is_said(words: str, said: str) -> None:
    with pytest.raises(ValueError, match=said):
        check(fault_of_words(words.split()), wiring(loads(TWO, "two.toml"), "a"))


KEYS = TEXT + '[controls.k0]\nkind = "button"\nchannel = { id = "k0", pin = "keys.r0c0" }\n'


@pytest.mark.parametrize(
    ("kind", "on"),
    [("diode_wrong", 'channel = "k0"'), ("diodes_backwards", 'matrix = "keys"'), ("diodes_missing", 'matrix = "keys"')],
)
def test_a_matrix_without_diodes_has_no_fault_of_a_diode(kind: str, on: str) -> None:
    """The file was taken as it was, and nothing came of it, or something that no wiring does."""
    text = f'[[faults]]\nkind = "{kind}"\nboard = "a"\n{on}\n'
    assert faults_file.loads(text, "f.toml", loads(KEYS, "keys.toml")).faults
    bare = loads(KEYS.replace("[matrices.keys]", "[matrices.keys]\ndiodes = false"), "keys.toml")
    with pytest.raises(Trouble) as told:
        faults_file.loads(text, "f.toml", bare)
    assert str(told.value) == (
        f"f.toml:4: '{kind}' needs diodes, and the panel file says that matrix 'keys' has none: "
        "leave this fault out, or 'diodes = false' there"
    )
