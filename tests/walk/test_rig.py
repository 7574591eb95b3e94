"""The simulated rig that the diagnosis is tried on does what real parts do."""

from __future__ import annotations

import random

import pytest
from walk.rig import GRAY, Bad, Rig
from walk.small import TEXT, small

from benchcon.panel.file import loads


def test_contacts_bounce_as_published() -> None:
    """J. Ganssle, A Guide to Debouncing: 1.6 ms on average, up to 6.2 ms for ordinary switches (values from memory)."""
    rig = Rig(small(), [], random.Random(4))
    rig.advance(1_000_000)
    lasted, at = [], 2_000_000
    for n in range(600):
        rig.put("b1", 1 - n % 2, at)
        edges = [t for t, how, key, _ in rig.advance(at + 200_000) if how == "edge" and key == "a.b1"]
        lasted.append(edges[-1] - edges[0])
        at += 300_000
    bouncing = [t for t in lasted if t]
    assert max(lasted) <= 6_200
    assert 800 <= sum(bouncing) / len(bouncing) <= 2_000


def test_an_encoder_goes_through_the_gray_code_and_one_count_an_edge() -> None:
    """00 01 11 10 (any encoder data sheet)."""
    assert [f"{state:02b}" for state in GRAY] == ["00", "01", "11", "10"]
    rig = Rig(small(), [], random.Random(4))
    start = rig.settled["a.enc"]
    rig.turn("enc", 3, 2_000_000)
    events = rig.advance(5_000_000)
    levels = [v for _, how, key, v in events if how == "edge" and key == "a.enc"]
    assert levels == [0b01, 0b11, 0b10, 0b00] * 3
    assert (rig.settled["a.enc"] - start) & 0xFFFF == 12


@pytest.mark.parametrize(
    ("bad", "made"),
    [
        ([], {"a.k00", "a.k01", "a.k11"}),
        ([Bad("ghost", (), {"matrix": "keys", "shorted": ()}, "none")], {"a.k00", "a.k01", "a.k10", "a.k11"}),
        ([Bad("ghost", (), {"matrix": "keys", "shorted": ("a.k01",)})], {"a.k00", "a.k01", "a.k10", "a.k11"}),
        ([Bad("ghost", (), {"matrix": "keys", "shorted": ("a.k10",)})], {"a.k00", "a.k01", "a.k11"}),
    ],
)
def test_a_matrix_shows_ghosts_only_without_the_diode_that_stops_them(bad: list[Bad], made: set[str]) -> None:
    rig = Rig(loads(TEXT, "small"), bad, random.Random(4))
    for key in ("k00", "k01", "k11"):
        rig.put(key, 1, 2_000_000)
    rig.advance(3_000_000)
    assert {key for key, value in rig.settled.items() if value and key.startswith("a.k")} == made
