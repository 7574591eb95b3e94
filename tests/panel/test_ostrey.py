"""The demo's panel: that it is what the house says, and could be built."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchcon.panel.file import inspect
from benchcon.panel.model import Panel
from benchcon.panel.pins import PORTS, SERIAL, read_pins
from benchcon.panel.places import edges_mm


def test_nothing_is_to_be_said_about_it(ostrey_path: Path) -> None:
    assert inspect(ostrey_path.read_bytes(), "ostrey.toml")[1] == []


def test_it_has_the_three_desks_and_their_parts(ostrey: Panel) -> None:
    assert [board.name for board in ostrey.boards] == ["lighting", "met", "power"]
    kinds = [(part.channels[0].board, getattr(part, "kind", type(part).__name__)) for part in ostrey.parts]
    assert kinds.count(("lighting", "switch")) == 6
    assert kinds.count(("lighting", "Lamp")) == 5
    assert [display.digits for display in ostrey.displays] == [3, 2, 5]
    intensity = ostrey.part("intensity")
    assert intensity is not None
    assert len(intensity.positions) == 5  # type: ignore[union-attr]


def test_every_wire_is_told_down_to_its_colour(ostrey: Panel) -> None:
    for part in ostrey.parts:
        for channel in part.channels:
            wire = channel.wire
            assert all((wire.pin, wire.connector, wire.connector_pin, wire.colour)), part.name


@pytest.mark.parametrize("name", ["lighting", "met", "power"])
def test_the_pins_are_there_on_the_chip_and_leave_the_serial_port_alone(ostrey: Panel, name: str) -> None:
    board = ostrey.board(name)
    assert board is not None
    used = [pin for chain in board.chains for pin in (chain.data, chain.clock, chain.load)]
    used += [
        pin.name
        for part in ostrey.parts
        for channel in part.channels
        if channel.board == name
        for pin in read_pins(channel.wire.pin)
        if pin.kind == "direct"
    ]
    assert len(set(used)) == len(used)
    assert not set(used) & set(SERIAL)
    assert set(used) <= set(PORTS[board.chip])


def test_red_is_for_warnings_and_amber_for_cautions(ostrey: Panel) -> None:
    # Source: 14 CFR 27.1322: red warning, amber caution, green safe operation, any other colour for the rest.
    assert [lamp.name for lamp in ostrey.lamps if lamp.colour == "red"] == ["mains_fail"]
    assert {lamp.name for lamp in ostrey.lamps if lamp.colour == "amber"} == {
        "crosswind",
        "standby_fail",
        "battery_low",
    }


def test_each_desk_stands_on_its_own_plate_of_a_rack(ostrey: Panel) -> None:
    # Source: IEC 60297 (from memory): front plates are 482.6 mm wide, three units are 133.35 mm high.
    assert (ostrey.width_mm, ostrey.height_mm) == (482.6, 400.05)
    for part in ostrey.parts:
        plate = ["met", "lighting", "power"].index(part.channels[0].board)
        assert part.place is not None
        _, top, _, bottom = edges_mm(part, part.place)
        assert plate * 133.35 < top < bottom < (plate + 1) * 133.35, part.name
