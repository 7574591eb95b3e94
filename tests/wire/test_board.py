"""The board side against the document: dialogues and refusals of the vectors, and what only shows under pressure."""

from __future__ import annotations

import re

import pytest
from wire.reference_board import Rig
from wire.vector_files import Block, blocks, only, raw

from benchcon.wire import codec
from benchcon.wire.board import ANSWERS_MOST, MOST_NOTIFICATIONS, BoardSide
from benchcon.wire.items import items


def matches(wanted: str, line: str) -> bool:
    pattern = "".join("[0-9A-F]" if char == "." else re.escape(char) for char in wanted.removesuffix("~"))
    return re.fullmatch(pattern + (".*" if wanted.endswith("~") else ""), line) is not None


@pytest.mark.parametrize("block", blocks("dialogues.txt"), ids=lambda block: only(block, "dialogue"))
def test_dialogue(block: Block) -> None:
    rig = Rig()
    passed = next((value.split() for key, value in block if key == "pass"), ["alive"])
    waiting: list[str] = []

    def hear() -> None:
        for line in rig.lines():
            if not (line.startswith("!") and line.split(" ")[2] in passed):
                waiting.append(line)

    for key, value in block:
        if key == "send":
            rig.raw(codec.seal(value) + b"\n")
        elif key == "raw":
            rig.raw(raw(value))
        elif key == "move":
            moves = (word.partition("=") for word in value.split(" "))
            rig.board.change({channel: int(moved, 16) for channel, _, moved in moves}, rig.now_us)
        elif key == "edge":
            channel, _, level = value.partition("=")
            rig.board.edge(channel, int(level), rig.now_us)
        elif key == "wait":
            rig.wait(int(value))
        elif key == "want":
            hear()
            assert waiting, f"nothing came where {value!r} was wanted"
            assert matches(value, waiting.pop(0))
        elif key == "nothing":
            hear()
            assert waiting == []
        elif key == "outputs":
            assert rig.outputs() == value
        else:
            # This half of a board has no lamps: tests/rig and tests/firmware see what they burn at.
            assert key in ("lit", "pass", "dialogue"), key


@pytest.mark.parametrize("block", blocks("refusals.txt"), ids=lambda block: only(block, "ask"))
def test_refusal(block: Block) -> None:
    rig = Rig()
    for key, words in block:
        if key == "first":
            rig.answer(words)
    before = dict(rig.board.values)
    answer = rig.answer(only(block, "ask"))
    assert answer.split(" ")[:2] == ["no", only(block, "code")]
    assert len(answer.split(" ")) > 2, "a person reads this, so it has words"
    assert rig.board.values == before


def test_what_is_left_out_or_busy_says_so_and_dark_works_all_the_same() -> None:
    rig = Rig(left_out=frozenset({"wink", "raw"}))
    assert rig.answer("wink").startswith("no 08 ")
    assert rig.answer("raw sw1=1").startswith("no 08 ")
    rig.board.busy = 2
    assert rig.answer("set l1=3E8").startswith("no 07 ")
    assert rig.answer("dark").startswith("dark ")
    assert rig.answer("hello").startswith("no 07 ")
    assert rig.answer("hello").startswith("hello ")


def test_while_dark_only_a_light_of_its_own_winks() -> None:
    rig = Rig()
    rig.answer("dark")
    assert rig.answer("wink").startswith("no 06 ")
    rig = Rig(own_light=True)
    winked: list[int] = []
    rig.board.on_wink = winked.append
    rig.answer("dark")
    rig.now_us = 5_000
    assert rig.answer("wink") == "wink"
    assert winked == [5_000]


def test_lost_is_exact_and_stands_where_notifications_are_missing() -> None:
    rig = Rig()
    rig.lines()
    for change in range(MOST_NOTIFICATIONS + 30):
        rig.board.change({"sw1": (change + 1) % 2}, rig.now_us + change)
    told = rig.lines()
    assert len(told) == MOST_NOTIFICATIONS
    rig.board.change({"sw2": 1}, rig.now_us + 1_000)
    after = rig.lines()
    assert [line[15:] for line in after] == ["lost 001E", "is sw2=1"]
    numbers = [int(line[1:5], 16) for line in told + after]
    assert numbers == list(range(1, MOST_NOTIFICATIONS + 3)), "numbers are given on putting out, so there is no hole"
    rig.wait(1_010)
    (alive,) = rig.lines()
    assert alive.split(" ")[6] == "001E"


def test_answers_go_before_notifications() -> None:
    rig = Rig()
    rig.lines()
    rig.board.change({"sw1": 1}, 10)
    rig.send("read sw1")
    assert [line[:1] for line in rig.lines()] == ["<", "!"]


def test_the_clock_wraps_and_alive_counts_the_wraps() -> None:
    start_us = 2**32 - 500_000
    rig = Rig(clock_start_us=start_us)
    assert rig.lines()[0].startswith("!0000 FFF85EE0 boot")
    rig.wait(1_010)
    (alive,) = rig.lines()
    _, clock, _, _, wraps, *_ = alive.split(" ")
    assert int(wraps, 16) == 1
    assert int(clock, 16) == 500_000 + 1  # a board does its work when the time is over, not before
    rig.board.change({"sw1": 1}, rig.now_us)
    assert int(rig.lines()[0].split(" ")[1], 16) < 600_000


def test_ping_tells_when_it_came_in_and_when_its_answer_goes_out() -> None:
    rig = Rig()
    rig.lines()
    rig.now_us = 1_000
    rig.send("ping 00000000 00000000")
    rig.board.tick(1_700)
    (line,) = rig.lines()
    assert line == "<01 ping 000003E8 000006A4"


def test_a_clock_that_runs_fast_is_fast_in_everything() -> None:
    rig = Rig(clock_ppm=5_000.0)
    rig.now_us = 10_000_000
    assert int(rig.answer("ping 00000000 00000000").split(" ")[1], 16) == pytest.approx(10_050_000, abs=1)


def test_running_numbers_wrap() -> None:
    rig = Rig()
    rig.lines()
    for change in range(0x10000):
        rig.board.change({"sw1": (change + 1) % 2}, 0)
        rig.board.take()
    rig.board.change({"sw2": 1}, 0)
    assert rig.lines()[0].startswith("!0001 ")


def test_changes_of_one_scan_that_do_not_fit_one_line_share_the_clock() -> None:
    many = items(*(("contact", f"long_{index:02d}", {}) for index in range(20)))
    board = BoardSide("big", "Big", many)
    board.take()
    board.change({f"long_{index:02d}": 1 for index in range(20)}, 1_234)
    lines = board.take().split(b"\n")[:-1]
    assert len(lines) > 1
    parsed = [codec.parse(line) for line in lines]
    assert {line.clock for line in parsed} == {1_234}
    assert [word for line in parsed for word in line.words[1:]] == [f"long_{index:02d}=1" for index in range(20)]


def test_a_reset_forgets_dark_raw_and_deadman_and_puts_the_outputs_off() -> None:
    rig = Rig()
    shown: list[dict[str, int]] = []
    rig.board.on_outputs = lambda changed, now_us: shown.append(changed)
    for words in ("set l1=3E8", "deadman 0064", "raw sw1=1"):
        rig.answer(words)
    rig.board.reset(50_000, "watchdog")
    assert rig.lines() == ["!0000 00000000 boot 0002 watchdog 01"]
    assert shown == [{"l1": 1000}, {"l1": 0}]
    rig.now_us = 200_000
    rig.board.edge("sw1", 1, rig.now_us)
    rig.board.tick(rig.now_us)
    assert rig.lines() == []


def test_raw_readings_come_twenty_times_a_second_at_most() -> None:
    rig = Rig()
    rig.answer("raw p1=1")
    for ms in range(1_000):
        rig.board.reading("p1", ms, ms * 1_000)
    assert len(rig.lines()) == 20


def test_ident_and_name_are_handed_over_to_be_kept() -> None:
    rig = Rig()
    kept: list[tuple[str, str]] = []
    rig.board.on_store = lambda what, text: kept.append((what, text))
    rig.answer("ident met")
    rig.answer("name Met%20desk")
    assert kept == [("ident", "met"), ("name", "Met%20desk")]


def test_going_dark_by_itself_is_told_once() -> None:
    rig = Rig()
    rig.answer("set l1=3E8")
    rig.board.go_dark("local", 5)
    rig.board.go_dark("local", 6)
    assert [line[15:] for line in rig.lines()] == ["dark local"]
    assert rig.board.values["l1"] == 0


def test_a_host_that_never_reads_fills_no_memory() -> None:
    rig = Rig()
    for _ in range(10 * ANSWERS_MOST):
        rig.send("hello")
        rig.board.change({"sw1": 1 - rig.board.values["sw1"]}, 0)
    assert rig.board.waiting <= ANSWERS_MOST + MOST_NOTIFICATIONS + 1
    assert rig.board.bad_lines == 9 * ANSWERS_MOST


def test_raw_typed_by_hand_longer_than_an_answer_can_hold_is_refused() -> None:
    rig = Rig()
    rig.lines()
    rig.raw(b"@@ raw" + b" sw1=1" * 12 + b"\r")
    assert rig.lines() == ["<00 no 02 arguments"]
    assert rig.board.raw == set()


def test_an_item_that_fits_no_line_is_refused_by_name() -> None:
    with pytest.raises(ValueError, match="item 00 \\(lamp l1\\): 9"):
        BoardSide("x", "x", items(("lamp", "l1", {"label": "y" * 64})))
