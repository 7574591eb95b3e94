"""Panels that were tried on the walk without sight of the diagnosis, and on which it was wrong once."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any, cast

import pytest
from walk.in_virtual_time import VirtualWalk

from benchcon.diagnosis.diagnose import diagnose
from benchcon.diagnosis.evidence import Change, HandStep
from benchcon.diagnosis.findings import Finding
from benchcon.diagnosis.layout import PanelIndex
from benchcon.errors import Trouble
from benchcon.panel.file import loads
from benchcon.rig import faults_file
from benchcon.walk.conditions import GAP, RESET, what_fell
from benchcon.walk.plan import Step
from benchcon.walk.prompts import prompt_for
from benchcon.walk.runner import ASKS, Runner


def walked(panel_text: str, faults_text: str) -> list[Finding]:
    panel = loads(panel_text)
    faults = faults_file.loads(faults_text, "faults.toml", panel)
    walk = VirtualWalk(panel, {board.name: faults.of(board.name) for board in panel.boards}).run()
    return diagnose(panel, walk.evidence)


def contact(name: str, pin: str, plug: str = "", kind: str = "button") -> str:
    where = f', connector = "{plug.split()[0]}", connector_pin = "{plug.split()[1]}"' if plug else ""
    return f'[controls.{name}]\nkind = "{kind}"\nchannel = {{ id = "{name}", pin = "{pin}"{where} }}\n'


def coded(name: str, pins: list[str]) -> str:
    channels = ", ".join(f'{{ id = "{name}{n}", pin = "{pin}" }}' for n, pin in enumerate(pins))
    words = '["a", "b", "c", "d"]'
    return f'[controls.{name}]\nkind = "switch"\nchannels = [{channels}]\npositions = {words}\ncode = "binary"\n'


def test_what_a_coded_switch_passes_on_an_inverted_board_is_not_where_it_was_put() -> None:
    """Upside down, position b on the way from d to b reads as what was asked for, before the hand is there."""
    panel = "[boards.k]\n" + coded("x", ["D2", "D3"]) + coded("y", ["D4", "D5"]) + coded("z", ["D6", "D7"])
    panel += contact("p", "D8") + contact("q", "D9")
    found = walked(panel, '[[faults]]\nkind = "level_inverted"\nboard = "k"\n')
    assert [finding.kind for finding in found] == ["level inverted"], [finding.line() for finding in found]


def test_noise_of_a_potentiometer_at_its_end_is_heard_though_half_of_it_is_cut_off() -> None:
    """The demo's own fault: 12 counts to each side are 2.3 % of the travel, of which 12 counts are left at the end."""
    panel = '[boards.k]\n[controls.v]\nkind = "pot"\nchannel = { id = "v", pin = "A0" }\n'
    noisy = '[[faults]]\nkind = "noisy"\nchannel = "k.v"\nby = '
    assert [finding.kind for finding in walked(panel, noisy + "12")] == ["noisy"]
    assert not walked(panel, noisy + "2"), "the converter's own noise is no fault"


def lamp(name: str, pin: str, plug: str) -> str:
    plug, at = plug.split()
    return (
        f'[lamps.{name}]\nchannel = {{ id = "{name}", pin = "{pin}", connector = "{plug}", connector_pin = "{at}" }}\n'
    )


def pot(name: str, pin: str, plug: str) -> str:
    plug, at = plug.split()
    channel = f'{{ id = "{name}", pin = "{pin}", connector = "{plug}", connector_pin = "{at}" }}'
    return f'[controls.{name}]\nkind = "pot"\nchannel = {channel}\n'


def kinds_of(found: list[Finding]) -> list[str]:
    return [finding.kind for finding in found if finding.either is None]


def test_a_ground_swapped_on_a_plug_of_three_contacts_is_no_plug_turned_round() -> None:
    panel = "[boards.k]\n" + pot("v", "A0", "J1 2") + contact("p", "D2", "J1 3") + lamp("l", "D3", "J1 4")
    panel += contact("q", "D4", "J1 5") + contact("r", "D5", "J1 6")
    found = walked(panel, '[[faults]]\nkind = "ground_crossed"\nchannel = "k.r"\n')
    assert found[0].kind == "ground crossed", [finding.line() for finding in found]
    assert not kinds_of(found) or kinds_of(found) == ["ground crossed"], "nothing else is told for certain"


def test_the_common_of_the_one_switch_beside_a_contact_is_no_ground_swapped_with_it() -> None:
    rotary = ", ".join(
        f'{{ id = "r{n}", pin = "D{n + 2}", connector = "J1", connector_pin = "{n + 2}" }}' for n in range(4)
    )
    panel = "[boards.k]\n" + contact("p", "D12", "J1 1") + contact("q", "D11", "J2 1")
    panel += f'[controls.r]\nkind = "switch"\nchannels = [{rotary}]\npositions = ["a", "b", "c", "d"]\n'
    found = walked(panel, '[[faults]]\nkind = "common_open"\nchannels = ["k.r0", "k.r1", "k.r2", "k.r3"]\n')
    # What all of the plug behind `p` has in common may be broken just there as well; that is asked.
    told = [("common open", {"part": "r"}), ("common open", {"connector": "J1", "from": "2"})]
    assert [(finding.kind, finding.detail) for finding in found] == told
    assert all(finding.either for finding in found)


def test_a_ground_that_ends_within_a_plug_of_contacts_and_lamps_is_one_cause() -> None:
    panel = "[boards.k]\n" + contact("p", "D2", "J1 2") + contact("q", "D3", "J1 3")
    panel += contact("r", "D4", "J1 4") + contact("s", "D5", "J1 5") + lamp("l", "D6", "J1 6")
    found = walked(panel, '[[faults]]\nkind = "ground_open"\nconnector = "J1"\nfrom = 4\n')
    assert [(finding.kind, finding.detail["from"]) for finding in found] == [("common open", "4")]


def test_what_has_several_wires_on_interchanged_plugs_is_part_of_that() -> None:
    panel = "[boards.k]\n" + pot("v", "A0", "J1 1") + pot("w", "A1", "J2 4")
    for n in range(3):
        panel += contact(f"p{n}", f"D{n + 2}", f"J1 {n + 2}") + contact(f"q{n}", f"D{n + 6}", f"J2 {n + 1}")
    panel += contact("x", "D12", "J1 5") + contact("y", "D13", "J2 5")
    found = walked(panel, '[[faults]]\nkind = "looms_interchanged"\nboard = "k"\nconnectors = ["J1", "J2"]\n')
    assert kinds_of(found) == ["looms interchanged"], [finding.line() for finding in found]


def test_diodes_are_tested_where_a_key_of_the_rectangle_is_a_switch() -> None:
    panel = '[boards.k]\n[matrices.m]\nboard = "k"\nrows = ["D2", "D3"]\ncolumns = ["D4", "D5"]\n'
    panel += contact("p", "m.r0c0", kind="switch") + contact("q", "m.r0c1") + contact("s", "m.r1c0")
    panel += contact("t", "m.r1c1", kind="switch")
    found = walked(panel, '[[faults]]\nkind = "diodes_missing"\nmatrix = "m"\n')
    assert [finding.kind for finding in found] == ["ghost"], [finding.line() for finding in found]
    assert not walked(panel, "seed = 1\n")
    layout = PanelIndex.of(loads(panel))
    prompts = [prompt_for(layout, Step("put", ("p", "q", "s"), to), 0, 1, False).ask for to in (1, 0)]
    assert prompts == ["Set P to on, hold Q and hold S.", "Set P to off, let go of Q and let go of S."]


def test_of_causes_that_fit_alike_each_kind_is_given_before_two_of_one() -> None:
    """Three lamps on the first of three chips are dark: two orders of the chips say so, and so does a chip whose
    outputs are wired from the wrong end."""
    panel = '[boards.k]\nchains.595 = { data = "D11", clock = "D13", load = "D10", chips = 3 }\n'
    panel += "".join(lamp(f"l{n}", f"595.{n}", f"J{n} 1") for n in range(3))
    found = walked(panel, '[[faults]]\nkind = "chip_pins_reversed"\nchain = "595"\nchip = 1\n')
    assert {finding.kind for finding in found} == {"chip dead", "chips in another order", "chip pins reversed"}
    assert all(finding.either for finding in found)


def test_what_was_answered_three_times_over_a_line_that_lost_lines_is_skipped_and_proves_nothing() -> None:
    """Garbage on the line for three seconds: each time it turned out afterwards that lines had been lost. The third
    answer, that nothing had moved, was kept, and a sound button was called broken."""
    panel = loads("[boards.k]\n" + contact("p", "D2") + contact("q", "D3"))
    run = VirtualWalk(panel, {})
    walk = run.run()
    warned: list[str] = []
    runner = object.__new__(Runner)
    runner.walk, runner._held, runner._asks = walk, (), {"p": ASKS}
    runner.face = cast(Any, SimpleNamespace(warn=warned.append))
    runner._now = lambda: run.bench.now_us()  # type: ignore[method-assign]
    runner._back_to("p")
    assert walk.done["p"].how == "skipped"
    assert walk.group is not None
    assert walk.group.name == "q", "what came after it is asked again"
    assert len(warned) == 1


def test_an_encoder_before_a_chip_that_is_bridged_goes_on_counting() -> None:
    """A 74HC165 hands on what is behind it; what stands nearer to the board is read before that (SCLS116, function
    table; from memory)."""
    panel = '[boards.k]\nchains.165 = { data = "D12", clock = "D8", load = "D9", chips = 2 }\n'
    panel += '[controls.e]\nkind = "encoder"\nchannel = { id = "e", pin = "165.0/165.1" }\n'
    panel += "".join(contact(f"p{n}", f"165.{n + 8}") for n in range(4))
    found = walked(panel, '[[faults]]\nkind = "chip_bridged"\nchain = "165"\nchip = 2\n')
    assert not any("k.e" in finding.channels for finding in found), [finding.line() for finding in found]


@pytest.mark.parametrize(("code", "contacts"), [("gray", 3), ("gray", 4), ("binary", 3), ("binary", 4)])
def test_crossed_wires_of_a_coded_switch_are_not_contacts_that_miss(code: str, contacts: int) -> None:
    """A contact that should make in some positions, and does in others, looked like a worn one; what was made in its
    place says that the wires are swapped."""
    ids = [f"x{number}" for number in range(contacts)]
    channels = ", ".join(f'{{ id = "{each}", pin = "D{number + 2}" }}' for number, each in enumerate(ids))
    words = ", ".join(f'"p{number}"' for number in range(2**contacts))
    panel = (
        f'[boards.k]\n[controls.x]\nkind = "switch"\ncode = "{code}"\nchannels = [{channels}]\npositions = [{words}]\n'
    )
    panel += contact("p", "D8") + contact("q", "D9")
    for ring in (["x0", "x1"], ["x0", "x2"], ["x1", "x2"], ["x0", "x1", "x2"], ["x2", "x1", "x0"]):
        wires = ", ".join(f'"k.{each}"' for each in ring)
        found = walked(panel, f'[[faults]]\nkind = "crossed"\nchannels = [{wires}]\n')
        assert [(finding.kind, {*finding.channels}) for finding in found] == [
            ("crossed", {f"k.{each}" for each in ring})
        ], [finding.line() for finding in found]


def keyboard(diodes: bool) -> str:
    panel = '[boards.k]\n[matrices.m]\nrows = ["D2", "D3", "D4"]\ncolumns = ["D5", "D6", "D7"]\n'
    panel += f"diodes = {str(diodes).lower()}\n"
    return panel + "".join(contact(f"k{row}{column}", f"m.r{row}c{column}") for row in range(3) for column in range(3))


def held(parts: list[str], to: int, *made: str, outcome: str = "seen") -> dict[str, Any]:
    values = {f"k.k{row}{column}": int(f"k{row}{column}" in made) for row in range(3) for column in range(3)}
    return {"what": "hand", "do": "put", "parts": parts, "to": to, "outcome": outcome, "values": values}


def test_three_keys_that_were_held_too_late_do_not_swap_a_row_with_a_column() -> None:
    """The hand said that it held three keys, and held them only when it was asked again."""
    three = ["k00", "k01", "k11"]
    late = [held(three, 1, outcome="said"), held(three, 0), held(three, 1, *three), held(three, 0)]
    assert not diagnose(loads(keyboard(True)), late)
    one_by_one = [step for key in three for step in (held([key], 1, key), held([key], 0))]
    assert not diagnose(loads(keyboard(True)), [*one_by_one, *late])


@pytest.mark.parametrize("code", ["one of", "binary"])
def test_a_hand_that_turns_a_switch_there_and_back_again_breaks_no_contact(code: str) -> None:
    """Twice the hand went to a position and was back before it was asked on. The contacts had made, each time; one was
    called broken, and touching its neighbour."""
    rows = [[0, 0], [0, 1], [1, 0], [1, 1]]
    if code == "one of":
        rows = [[int(number == place) for number in range(4)] for place in range(4)]
    panel = '[boards.k]\n[controls.x]\nkind = "switch"\npositions = ["a", "b", "c", "d"]\n'
    panel += f'code = "{code}"\n' if code != "one of" else ""
    panel += "channels = [" + ", ".join(f'{{ id = "x{n}", pin = "D{n + 2}" }}' for n in range(len(rows[0]))) + "]\n"
    evidence: list[dict[str, Any]] = []
    stood, at_us, odd = 0, 0, 3 if code == "binary" else 2
    for to in (0, 1, 2, 3, 0, 1, 2, 3):
        way = [to, stood] if to == odd else [to]
        changes = []
        for place in way:
            at_us += 110_000
            pairs = enumerate(zip(rows[stood], rows[place], strict=True))
            steps = sorted((new, number) for number, (old, new) in pairs if old != new)
            changes += [[at_us + 8_000 * value, f"k.x{number}", value] for value, number in steps]
            stood = place
        values = {f"k.x{number}": value for number, value in enumerate(rows[stood])}
        outcome = "seen" if stood == to else "otherwise"
        step = {"what": "hand", "do": "put", "parts": ["x"], "to": to, "outcome": outcome}
        evidence.append({**step, "changes": changes, "values": values})
    assert not diagnose(loads(panel), evidence)


@pytest.mark.parametrize("contacts", [4, 6])
def test_where_one_position_of_a_rotary_switch_works_its_plug_s_ground_is_suspected(contacts: int) -> None:
    """With nothing else on the plug, all other contacts were called broken, each for itself and for certain."""
    positions = ", ".join(f'"p{number}"' for number in range(contacts))
    channels = ", ".join(
        f'{{ id = "x{number}", pin = "D{number + 2}", connector = "J1", connector_pin = "{number + 1}" }}'
        for number in range(contacts)
    )
    panel = f'[boards.k]\n[controls.x]\nkind = "switch"\npositions = [{positions}]\nchannels = [{channels}]\n'
    panel += contact("p", "D10") + contact("q", "D11")
    for through in range(contacts):
        found = walked(panel, f'[[faults]]\nkind = "ground_crossed"\nchannel = "k.x{through}"\n')
        assert "ground crossed" in {finding.kind for finding in found}, [finding.line() for finding in found]
        assert not [f.line() for f in found if f.either is None and f.kind != "ground crossed"]


def test_a_matrix_without_diodes_of_which_nothing_works_has_its_plug_off() -> None:
    """A row swapped with a column, and a column that is off, would leave the same keys dead; so does one plug."""
    keys = [f"k{row}{column}" for row in range(3) for column in range(3)]
    steps = [held([key], to, outcome="said" if to else "seen") for key in keys for to in (1, 0)]
    (found,) = diagnose(loads(keyboard(False) + contact("p", "D8")), [*steps, *steps])
    assert (found.kind, len(found.channels), found.detail) == ("common open", 9, {"matrix": "m"})
    assert "connector off" in found.kinds
    assert "plug or ribbon of matrix m" in found.line()


@pytest.mark.parametrize("by", [1, -1])
def test_two_lamps_on_a_chain_that_is_one_bit_late_are_not_crossed_and_broken(by: int) -> None:
    """One lights when the other is to, the other never does: one bit that is late or early, and not two faults."""
    panel = '[boards.k]\nchains.595 = { data = "D11", clock = "D13", load = "D10" }\n'
    panel += "".join(lamp(f"l{n}", f"595.{n + 2}", f"J{n} 1") for n in range(2))
    found = walked(panel, f'[[faults]]\nkind = "chain_shifted"\nchain = "595"\nby = {by}\n')
    assert [(finding.kind, finding.detail["by"]) for finding in found] == [("chain shifted", by)]


def test_why_a_group_was_given_up_is_said_in_words_whatever_happened() -> None:
    """It read “its board  each of the 3 times” where nothing had happened to the board but what held on it."""
    assert what_fell([RESET, GAP]) == "was reset and has lost lines on the way"
    assert what_fell([]) == "did not come through well"


def test_a_ghost_where_no_key_is_does_not_hide_that_two_columns_are_swapped() -> None:
    """Three keys that were held closed the way to a fourth, by way of a crossing at which the panel has no key."""
    panel = keyboard(False).replace(contact("k01", "m.r0c1"), "") + contact("p", "D8") + contact("q", "D9")
    found = walked(
        panel, '[[faults]]\nkind = "matrix_lines_crossed"\nmatrix = "m"\nline = "column"\nnumbers = [0, 1]\n'
    )
    assert [(finding.kind, finding.detail) for finding in found] == [
        ("matrix lines crossed", {"matrix": "m", "columns": [0, 1]})
    ], [finding.line() for finding in found]


@pytest.mark.parametrize(
    ("step", "said"),
    [
        (HandStep("put", ("p",), 2, "otherwise"), "'p' is set to position 2; the panel file has 0 to 1 for it"),
        (HandStep("put", ("p",), -1, "timeout", changes=(Change(9, "k.p", 1),)), "position -1"),
        (HandStep("put", (), 1, "said"), "a step 'put' names no control"),
        (HandStep("put", ("l",), 1), "the hand cannot move 'l': it is not a control"),
    ],
)
def test_evidence_that_the_panel_file_has_outgrown_is_refused_in_one_line(step: HandStep, said: str) -> None:
    """A journal written with more positions than the panel file has today was an IndexError."""
    panel = loads('[boards.k]\n[lamps.l]\nchannel = "l"\n' + contact("p", "D8") + contact("q", "D9"))
    with pytest.raises(Trouble, match=said):
        diagnose(panel, [step, HandStep("put", ("q",), 1, changes=(Change(5, "k.q", 1),))])


def test_counts_that_arrive_with_the_next_turn_belong_to_the_turn_that_they_end() -> None:
    """A computer that was late for 0.2 s had a sound encoder accused of skipping: 38 counts, then 2 back and 40."""
    panel = loads('[boards.k]\n[controls.e]\nkind = "encoder"\nchannel = { id = "e", pin = "D2/D3" }\n')

    def turn(detents: int, start: int, began_us: int, carried: int = 0, kept: int = 0) -> HandStep:
        way = 1 if detents > 0 else -1
        counts = [start + way * (n + 1) for n in range(4 * abs(detents))]
        own = [
            Change(began_us + 9_000 + n * 4_000, "k.e", count, began_us + n * 4_000) for n, count in enumerate(counts)
        ]
        late = [
            Change(began_us + 9_000, "k.e", start + way * (carried - 1 - n), began_us - 300_000 + n * 4_000 + 152_000)
            for n in range(carried)
        ]
        own = own[: len(own) - kept]
        return HandStep("turn", ("e",), detents, "said", began_us, began_us + 200_000, changes=(*late, *own))

    steps = [turn(10, 0, 1_000_000), turn(-10, 40, 1_300_000)]
    assert diagnose(panel, [*steps, turn(10, 0, 1_600_000), turn(-10, 40, 1_900_000)]) == []
    assert diagnose(panel, [*steps, turn(10, 0, 1_600_000, kept=2), turn(-10, 40, 1_900_000, carried=2)]) == []
    short = diagnose(panel, [*steps, turn(10, 0, 1_600_000, kept=2), turn(-10, 38, 1_900_000)])
    assert [finding.kind for finding in short] == ["skipping"]
