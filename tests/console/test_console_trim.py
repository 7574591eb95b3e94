"""Lamps of unlike make look evenly bright: the trim is applied as a level is sent, and taken off as it is shown."""

from __future__ import annotations

from benchcon.panel.lightness import sent_permille
from benchcon.panel.model import Channel, Lamp
from benchcon.state import BenchState
from benchcon.view.showing import _lamp
from benchcon.wire.codec import answer, notification, request
from benchcon.wire.records import LINE_DOWN, LINE_UP, Batch


def test_a_trimmed_lamp_is_told_less_and_shown_as_asked() -> None:
    lamp = Lamp("bright", "Bright", Channel("desk", "l1"), trim_permille=500)
    # CIE 1976: a trim of half the lightness is 18.4 % of the light; L* 100 x 0.184 is L* 50 again.
    sent = sent_permille(lamp, 1000)
    assert sent == 500
    state = BenchState()
    state.feed(Batch(1, 1, LINE_DOWN, [request(1, ("set", f"l1={sent:03X}"))]))
    state.feed(Batch(2, 1, LINE_UP, [answer(1, ("set", "00000001"))]))
    board = state.boards[1]
    board.channels["l1"].kind = "lamp"
    shown = _lamp(lamp, board, 3)
    assert shown.word == "on"
    untrimmed = Lamp("bright", "Bright", Channel("desk", "l1"))
    assert _lamp(untrimmed, board, 3).word == "50 %"


def test_a_board_that_says_its_supply_is_gone_shows_nothing_lit() -> None:
    lamp = Lamp("bright", "Bright", Channel("desk", "l1"))
    state = BenchState()
    state.feed(Batch(1, 1, LINE_DOWN, [request(1, ("set", "l1=3E8"))]))
    state.feed(Batch(2, 1, LINE_UP, [answer(1, ("set", "00000001"))]))
    board = state.boards[1]
    board.channels["l1"].kind = "lamp"
    for number, (supply, word) in enumerate((("1388", "on"), ("0001", "no supply"), ("0000", "on"))):
        alive = notification(number, 1 + number, ("alive", "0001", "0000", "0000", "0000", "0000", supply, "00"))
        state.feed(Batch(3, 1, LINE_UP, [alive]))
        assert _lamp(lamp, board, 3).word == word
