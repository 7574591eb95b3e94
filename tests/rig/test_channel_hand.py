"""A hand for firmware: told of a switch's position, it makes and breaks the contacts that mean it."""

from __future__ import annotations

import pytest

from benchcon.demo import panel_path
from benchcon.panel.file import load
from benchcon.rig.channel_hand import ChannelHand
from benchcon.rig.hand import Hand


@pytest.mark.parametrize(
    ("board", "asked", "sent"),
    [
        # Break before make: what opens, opens first.
        ("power", "put standby 2", ["release sb_auto", "press sb_on"]),
        ("power", "put standby 1", ["release sb_auto", "release sb_on"]),
        ("power", "put mains 1", ["press sw_main"]),
        ("power", "put sw_main 0", ["release sw_main"]),
        ("power", "press mains", ["press sw_main"]),
        ("power", "press sw_main", ["press sw_main"]),
        ("power", "put bus_volts 512", ["put volts 512"]),
        ("met", "turn pressure_set -2", ["turn enc_qnh -2"]),
        ("met", "release pressure_unit", ["release unit"]),
        ("lighting", "put intensity 2", [*(f"release int{n}" for n in (1, 2, 4, 5)), "press int3"]),
        ("lighting", "lit", ["lit"]),
        ("lighting", "press nothing", ["press nothing"]),
    ],
)
def test_parts_are_told_as_channels(board: str, asked: str, sent: list[str], monkeypatch: pytest.MonkeyPatch) -> None:
    heard: list[str] = []
    hand = ChannelHand("tcp:127.0.0.1:1", load(panel_path()), board)
    really = Hand.ask

    def ask(self: Hand, *words: str, allow_s: float = 0.0) -> list[str]:
        if self is not hand:  # that of desks which another test has in this process
            return really(self, *words, allow_s=allow_s)
        heard.append(" ".join(words))
        return []

    monkeypatch.setattr(Hand, "ask", ask)
    hand.ask(*asked.split())
    assert heard == sent
