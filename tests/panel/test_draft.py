"""A first panel file can be used as it stands, whatever boards say of themselves."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchcon.panel.draft import draft
from benchcon.panel.file import inspect, loads
from benchcon.panel.model import Panel
from benchcon.state import BoardState
from benchcon.view.naming import first_file, named
from benchcon.wire.items import Item, items


def board_of(panel: Panel, name: str) -> tuple[str, str, str, tuple[Item, ...]]:
    """What a board of a panel would say of itself."""
    said: list[tuple[str, str, dict[str, str]]] = [
        ("board", "", {"ident": name}),
        ("model", "", {"chip": "ATmega328P"}),
    ]
    for control in panel.controls:
        kind = {"button": "contact", "switch": "contact"}.get(control.kind, control.kind)
        for channel in control.channels:
            if channel.board == name:
                said.append(
                    (kind, channel.id, {"pin": channel.wire.pin, "label": control.label, "det": "4", "top": "03FF"})
                )
    for lamp in panel.lamps:
        if lamp.channel.board == name:
            detail = {"pin": lamp.channel.wire.pin, "label": lamp.label, "dim": "1", "colour": lamp.colour}
            said.append(("lamp", lamp.channel.id, detail))
    for display in panel.displays:
        if display.channel.board == name:
            said.append(
                ("display", display.channel.id, {"pin": display.channel.wire.pin, "digits": f"{display.digits:X}"})
            )
    return f"/dev/tty{name}", name, f"{name} desk", items(*said)


def test_a_draft_of_the_demo_has_every_channel_pin_and_label(ostrey: Panel) -> None:
    text = draft([board_of(ostrey, board.name) for board in ostrey.boards])
    found, findings = inspect(text, "draft.toml")
    assert found is not None
    assert [str(finding) for finding in findings if finding.grave] == []

    def wires(panel: Panel) -> set[tuple[str, str, str]]:
        return {(c.board, c.id, c.wire.pin) for part in panel.parts for c in part.channels}

    assert wires(found) == wires(ostrey)
    assert {board.chip for board in found.boards} == {"atmega328p"}
    assert {part.label for part in ostrey.lamps} == {part.label for part in found.lamps}
    assert [part.digits for part in found.displays] == [part.digits for part in ostrey.displays]


def test_a_dark_switch_is_drafted_and_a_channel_called_all_is_not() -> None:
    said = items(
        ("board", "", {"ident": "desk"}),
        ("contact", "out", {"dark": "1", "label": "Lights out"}),
        ("contact", "out2", {"dark": "1"}),
        ("lamp", "all", {"dim": "1"}),
        ("lamp", "l1", {"dim": "1"}),
    )
    panel = loads(draft([("/dev/tty0", "desk", "Desk", said)]))
    assert {control.channels[0].id: control.darkens for control in panel.controls} == {"out": True, "out2": False}
    assert [lamp.channel.id for lamp in panel.lamps] == ["l1"]


def test_a_draft_is_laid_out_without_overlaps(ostrey: Panel) -> None:
    text = draft([board_of(ostrey, board.name) for board in ostrey.boards])
    panel, findings = inspect(text, "draft.toml")
    assert panel is not None
    assert all(part.place is not None for part in panel.parts)
    assert not [finding for finding in findings if "overlaps" in finding.text or "edge" in finding.text]


def test_pins_that_contradict_each_other_are_left_out_with_a_remark() -> None:
    said = items(("contact", "a", {"pin": "D4"}), ("contact", "b", {"pin": "D4"}), ("lamp", "c", {"pin": "PB3\x1b[2J"}))
    text = draft([("/dev/x", "desk", "Desk", said)])
    panel = loads(text)
    assert [channel.wire.pin for part in panel.parts for channel in part.channels] == ["", "", ""]
    assert "# The board says its pin is D4." in text
    assert "\x1b" not in text


def test_kinds_that_nobody_knows_are_remarked() -> None:
    text = draft([("/dev/x", "desk", "Desk", items(("servo", "s1", {}), ("contact", "a", {})))])
    assert '# Left out: channel "s1" of kind "servo".' in text
    assert len(loads(text).parts) == 1


def test_two_boards_alike_can_still_be_drafted() -> None:
    board = ("/dev/x", "desk", "Desk", items(("contact", "a", {})))
    panel = loads(draft([board, board, ("/dev/y", "", "", ())]))
    assert [each.name for each in panel.boards] == ["desk", "desk_2", "board3"]
    assert [part.channels[0].board for part in panel.parts] == ["desk", "desk_2"]


_STRANGE = st.text(max_size=12) | st.sampled_from(["D4", "D0", "A0", "165.3", "595.9", "7219.60", "D2/D3", "keys.r0c0"])
_ITEM = st.tuples(
    st.sampled_from(["contact", "selector", "encoder", "pot", "lamp", "display", "board", "model", "servo"]),
    st.sampled_from(["a", "b2", "lamp", "long_one", "Bad", "", "\x1b"]),
    st.dictionaries(
        st.sampled_from(["pin", "label", "colour", "digits", "pos", "det", "top", "dim", "chip", "text"]), _STRANGE
    ),
)
_BOARD = st.tuples(
    st.text(max_size=9),
    st.sampled_from(["desk", "", "Bad", "x" * 16]),
    st.text(max_size=30),
    st.lists(_ITEM, max_size=12),
)


@pytest.mark.slow
@settings(max_examples=150, deadline=None)
@given(st.lists(_BOARD, max_size=4))
def test_whatever_boards_say_the_draft_can_be_opened(boards) -> None:  # type: ignore[no-untyped-def]
    text = draft([(port, ident, name, items(*said)) for port, ident, name, said in boards])
    panel = loads(text.encode(), "draft.toml")
    assert len(panel.boards) == len(boards)
    for part in panel.parts:
        for channel in part.channels:
            assert panel.board(channel.board)


@pytest.mark.parametrize("count", [1, 40, 254])
def test_a_board_of_many_parts_is_drafted(count: int) -> None:
    said = items(*(("lamp", f"l{n}", {"label": f"Lamp {n}"}) for n in range(count)))
    panel = loads(draft([("/dev/x", f"desk{n}", "Desk", said) for n in range(4)]))
    assert len(panel.lamps) == 4 * count


def test_the_file_that_naming_by_hand_begins_has_the_chip_too(tmp_path: Path) -> None:
    board = BoardState(1)
    board.port, board.ident, board.name, board.chip = "/dev/ttyUSB0", "desk", "Desk", "ATmega328P"
    lamp = board.channel("l1")
    lamp.kind = "lamp"
    panel = first_file(tmp_path / "panel.toml", [board])
    assert [(each.name, each.chip) for each in panel.boards] == [("desk", "atmega328p")]
    # A part of a board that the file does not have yet brings the board along.
    other = loads(draft([("/dev/y", "met", "Met", items(("lamp", "l1", {})))])).lamps[0]
    panel = named(panel, other, "Gusts", None, {"met": "ATmega328P"})
    assert [(each.name, each.chip) for each in panel.boards] == [("desk", "atmega328p"), ("met", "atmega328p")]
