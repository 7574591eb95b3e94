"""Whole connectors: one cause, one line. A small electrical world decides what the board reads: wires, grounds, plugs.

The world is common practice, no source: inputs with pull-ups, contacts that close to a common, which goes through the
plug or from part to part; lamps fed from the board's pins. It knows nothing of the diagnosis.
"""

from __future__ import annotations

import itertools
import random
from dataclasses import dataclass, field
from typing import Any

import pytest
from walk.desks import Desks
from walk.panels_read import panel_of

from benchcon.diagnosis.diagnose import diagnose
from benchcon.diagnosis.findings import Finding
from benchcon.panel.model import Panel

Evidence = list[dict[str, Any]]


@dataclass
class World:
    """One board, `plugs` connectors with buttons, toggles and rotary switches of several contacts, and lamps."""

    rng: random.Random
    text: list[str] = field(default_factory=lambda: ["[boards.a]"])
    parts: dict[str, tuple[str, list[tuple[str, int]]]] = field(default_factory=dict)
    """Control → kind, and its contacts as (plug, pin)."""
    lamps: dict[str, tuple[str, int]] = field(default_factory=dict)
    ways: dict[tuple[str, int], tuple[str, int]] = field(default_factory=dict)
    """Plug and pin → the header's pin where its wire ends; missing: nowhere."""
    ground: dict[str, int | None] = field(default_factory=dict)
    """Plug → header pin where the common of its parts ends: 0 the board's ground, None nowhere."""
    cut: dict[str, int] = field(default_factory=dict)
    """Plug → first pin behind the place where its common, which goes from part to part, is broken."""

    def plug(self, name: str, contacts: int, lamps: int = 0) -> None:
        pin = 0
        while pin < contacts:
            many = min(self.rng.choice((1, 1, 1, 3)), contacts - pin)
            pins = [(name, pin + n + 1) for n in range(many)]
            kind = "switch" if many > 1 or self.rng.random() < 0.4 else "button"
            part = f"{name.lower()}_{pin + 1}"
            self.parts[part] = kind, pins
            wires = ", ".join(self.channel(*at) for at in pins)
            positions = ", ".join(f'"{n}"' for n in range(max(2, many)))
            self.text.append(f'[controls.{part}]\nkind = "{kind}"\nchannel{"s" * (many > 1)} = ')
            self.text[-1] += f"[{wires}]" if many > 1 else wires
            self.text[-1] += f"\npositions = [{positions}]" if kind == "switch" else ""
            pin += many
        for number in range(lamps):
            self.lamps[f"l_{name.lower()}_{number}"] = name, contacts + number + 1
            self.text.append(
                f"[lamps.l_{name.lower()}_{number}]\nchannel = {self.channel(name, contacts + number + 1)}"
            )
        for number in range(contacts + lamps):
            self.ways[name, number + 1] = name, number + 1
        self.ground[name] = 0

    def channel(self, plug: str, pin: int) -> str:
        return f'{{ id = "a.{plug.lower()}p{pin}", connector = "{plug}", connector_pin = "{pin}" }}'

    def panel(self) -> Panel:
        return panel_of("\n".join(self.text) + "\n", "world.toml")

    def reads(self, at: dict[str, int]) -> dict[str, int]:
        """What the board reads with the controls at these positions: a pin is made if it is joined to ground."""
        joined: list[tuple[object, object]] = []
        for plug, pin in self.ground.items():
            if pin is not None:
                joined.append((("common", plug, 0), "ground" if pin == 0 else ("header", plug, pin)))
        for spot, header in self.ways.items():
            joined.append((("wire", *spot), "ground" if header[1] == 0 else ("header", *header)))
        for part, (_, pins) in self.parts.items():
            for number, (plug, pin) in enumerate(pins):
                made = at[part] == number if len(pins) > 1 else at[part] == 1
                if made:
                    behind = int(plug in self.cut and pin >= self.cut[plug])
                    joined.append((("wire", plug, pin), ("common", plug, behind)))
        earth, grown = {"ground"}, True
        while grown:
            grown = False
            for one, other in joined:
                if (one in earth) != (other in earth):
                    earth |= {one, other}  # type: ignore[arg-type]
                    grown = True
        contacts = [spot for _, pins in self.parts.values() for spot in pins]
        return {f"a.{plug.lower()}p{pin}": int(("header", plug, pin) in earth) for plug, pin in contacts}

    def walked(self) -> Evidence:
        at = dict.fromkeys(self.parts, 0)
        out: Evidence = [{"what": "hand", "do": "rest", "values": self.reads(at)}]
        for part, (_, pins) in self.parts.items():
            for to in [*range(1, max(2, len(pins))), 0]:
                at[part] = to
                out.append({"what": "hand", "do": "put", "parts": [part], "to": to, "values": self.reads(at)})
        for lamp in self.lamps:
            driven = self.lamps[lamp]
            seen = [other for other, spot in self.lamps.items() if self.ways.get(spot) == driven]
            out.append({"what": "lamps", "set": {lamp: 1000}, "seen": seen})
        return out

    def found(self) -> list[Finding]:
        return diagnose(self.panel(), self.walked())


def world(seed: int, lamps: int = 0) -> tuple[World, str, int]:
    rng = random.Random(seed)
    made = World(rng)
    count = rng.randint(5, 9)
    made.plug("J1", count, lamps)
    made.plug("J2", rng.randint(4, 6))
    return made, "J1", count


SEEDS = range(20)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_healthy_plug_is_accused_of_nothing(seed: int) -> None:
    made, _, _ = world(seed, lamps=seed % 3)
    assert made.found() == []


@pytest.mark.parametrize("seed", SEEDS)
def test_a_connector_that_is_off_is_one_line_whatever_sits_on_it(seed: int) -> None:
    made, plug, count = world(seed, lamps=seed % 3)
    for pin in range(count + 3):
        made.ways.pop((plug, pin), None)
    (finding,) = made.found()
    assert ("connector off" in finding.kinds, finding.detail["connector"], finding.either) == (True, plug, None)
    assert len(finding.channels) == count + seed % 3


def buttons_on(made: World, plug: str) -> list[int]:
    """Pins of the plug that a button sits on."""
    return [pins[0][1] for kind, pins in made.parts.values() if kind == "button" and pins[0][0] == plug]


def with_a_button() -> list[int]:
    """Twenty worlds whose plug has a button on it."""
    return list(itertools.islice((seed for seed in itertools.count() if buttons_on(*world(seed)[:2])), len(SEEDS)))


@pytest.mark.parametrize("seed", with_a_button())
def test_a_ground_that_is_changed_round_with_a_signal_is_one_line(seed: int) -> None:
    made, plug, _ = world(seed)
    pin = made.rng.choice(buttons_on(made, plug))
    made.ground[plug] = pin
    made.ways[plug, pin] = plug, 0
    finding, *others = made.found()
    assert (finding.kind, finding.channels[0]) == ("ground crossed", f"a.j1p{pin}")
    # At an end of the plug it may as well be turned round with its ground, or its ground broken there; that is asked.
    assert (finding.either is None) == (not others)
    assert {other.kind for other in others} <= {"plug reversed", "plug shifted", "common open"}


@pytest.mark.parametrize("seed", SEEDS)
def test_a_common_from_part_to_part_that_is_broken_is_one_line(seed: int) -> None:
    made, plug, count = world(seed)
    made.cut[plug] = made.rng.randint(3, count - 2)
    (finding,) = made.found()
    assert (finding.kind, finding.detail.get("from"), finding.either) == ("common open", str(made.cut[plug]), None)


@pytest.mark.parametrize("by", [1, -1])
@pytest.mark.parametrize("seed", SEEDS)
def test_a_plug_one_hole_on_is_one_line(seed: int, by: int) -> None:
    made, plug, count = world(seed)
    for pin in range(1, count + 1):
        made.ways[plug, pin] = plug, pin + by
        if not 1 <= pin + by <= count:
            del made.ways[plug, pin]
    (finding,) = made.found()
    assert (finding.kind, finding.detail.get("by"), finding.either) == ("plug shifted", by, None)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_plug_that_is_turned_round_is_one_line(seed: int) -> None:
    made, plug, count = world(seed)
    for pin in range(1, count + 1):
        made.ways[plug, pin] = plug, count + 1 - pin
    (finding,) = made.found()
    assert (finding.kind, finding.detail["connector"], finding.either) == ("plug reversed", plug, None)


def test_a_connector_that_is_off_on_a_simulated_desk_is_one_line(desks: Desks) -> None:
    """Switches, a rotary switch of several contacts and a push button: all that sits on one connector of the desk."""
    on: dict[str, list[str]] = {}
    names: dict[str, list[str]] = {}
    for control in desks.panel.controls:
        for channel in control.channels:
            if channel.board == "lighting" and channel.wire.connector:
                on.setdefault(channel.wire.connector, []).append(channel.id)
                names.setdefault(channel.wire.connector, []).append(control.name)
    plug = max(on, key=lambda name: len(on[name]))
    desks.hands["lighting"].fault("common_open", *on[plug])
    first, *others = desks.findings(tuple(dict.fromkeys(names[plug])))
    assert ("connector off" in first.kinds, first.detail["connector"]) == (True, plug)
    # One question with two answers: all that the chain of one 74HC165 reads is on this plug.
    assert [other.kind for other in others] == ["chip dead"]
    for finding in (first, *others):
        assert set(finding.channels) == {f"lighting.{id_}" for id_ in on[plug]}
        assert finding.either is not None
        assert finding.either.choices == 2
