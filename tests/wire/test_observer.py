"""The observer: what a bench can go through, told as lines, and what it must make of it."""

from __future__ import annotations

from collections.abc import Sequence

from hypothesis import given, settings
from hypothesis import strategies as st
from wire.heard import Heard, kinds

from benchcon.wire import codec
from benchcon.wire.events import Alive, Answered, Asked, Boot, Edge, Event, Gap, Moved, Notification
from benchcon.wire.observed import HAND_MOST
from benchcon.wire.records import LINE_UP, LINK

ALIVE = "alive {boot:04X} {wraps:04X} 0000 0000 0000 0000 00"


def alive(boot: int, wraps: int = 0) -> str:
    return ALIVE.format(boot=boot, wraps=wraps)


# --- running numbers --------------------------------------------------------------------------------


def test_the_first_notification_heard_is_no_gap_wherever_it_stands() -> None:
    heard = Heard()
    assert kinds(heard.notification(0x1234, 0, "is sw1=1")) == ["Moved"]
    assert kinds(heard.notification(0x1235, 1, "is sw1=0")) == ["Moved"]
    assert heard.counters.missing == 0


def test_a_hole_says_how_many_lines_are_missing() -> None:
    heard = Heard()
    heard.notification(10, 0, "is sw1=1")
    gap, moved = heard.notification(14, 1, "is sw1=0")
    assert gap == Gap(heard.at_us, 1, 3)
    assert isinstance(moved, Moved)
    assert (heard.counters.gaps, heard.counters.missing) == (1, 3)


def test_numbers_wrap_without_a_gap_and_a_hole_across_the_wrap_counts_right() -> None:
    heard = Heard()
    heard.notification(0xFFFF, 0, "is sw1=1")
    assert kinds(heard.notification(0, 1, "is sw1=0")) == ["Moved"]
    heard.notification(0xFFFE, 2, "is sw1=1")
    heard = Heard()
    heard.notification(0xFFFE, 0, "is sw1=1")
    assert heard.notification(2, 1, "is sw1=0")[0] == Gap(heard.at_us, 1, 3)


def test_a_line_received_twice_changes_nothing() -> None:
    heard = Heard()
    heard.notification(5, 100, "is sw1=0")
    heard.notification(6, 200, "is sw1=1")
    assert heard.notification(6, 200, "is sw1=1") == []
    assert heard.notification(5, 100, "is sw1=0") == []
    assert heard.counters.repeated == 2
    assert kinds(heard.notification(7, 300, "is sw1=0")) == ["Moved"]


def test_the_answer_to_read_shows_a_hole_that_no_notification_follows() -> None:
    heard = Heard()
    heard.notification(5, 100, "is sw1=1")
    heard.ask(1, "read all")
    gap, answered = heard.feed(LINE_UP, codec.answer(1, ("read", "0007", "000000C8", "00", "sw1=0")))
    assert gap == Gap(heard.at_us, 1, 2)
    assert isinstance(answered, Answered)
    assert kinds(heard.notification(8, 300, "is sw1=1")) == ["Moved"]


def test_after_read_the_numbers_go_on_from_what_it_said() -> None:
    heard = Heard()
    heard.answer(1, "read 0007 000000C8 00 sw1=0")
    assert heard.notification(10, 300, "is sw1=1")[0] == Gap(heard.at_us, 1, 2)
    heard = Heard()
    heard.answer(1, "read FFFF 000000C8 00")
    assert kinds(heard.notification(0, 300, "is sw1=1")) == ["Moved"]


# --- resets --------------------------------------------------------------------------------


def test_a_boot_line_starts_everything_anew() -> None:
    heard = Heard()
    heard.notification(500, 4_000_000_000, "is sw1=1")
    assert heard.notification(0, 784, "boot 0008 watchdog 01") == [Boot(heard.at_us, 1, 8, "watchdog")]
    (moved,) = heard.notification(1, 1_000, "is sw1=1")
    assert isinstance(moved, Moved)
    assert moved.clock_us == 1_000
    assert heard.counters.boots == 1


def test_a_board_that_cannot_count_its_resets_is_believed_each_time() -> None:
    heard = Heard()
    for _ in range(3):
        assert kinds(heard.notification(0, 784, "boot 0000 unknown 01")) == ["Boot"]
        heard.notification(1, 900, "is sw1=1")
    assert heard.counters.boots == 3


def test_the_very_same_boot_line_twice_is_one_reset() -> None:
    heard = Heard()
    heard.notification(0, 784, "boot 0008 power 01")
    assert heard.notification(0, 784, "boot 0008 power 01") == []
    assert heard.counters.boots == 1


def test_another_boot_number_in_alive_is_a_reset_whose_boot_line_was_lost() -> None:
    heard = Heard()
    heard.notification(5, 90_000_000, alive(7))
    boot, gap, sign = heard.notification(3, 1_000_000, alive(8))
    assert boot == Boot(heard.at_us, 1, 8, "seen")
    assert gap == Gap(heard.at_us, 1, 3), "the lines 0, 1 and 2 since the reset are missing"
    assert isinstance(sign, Alive)
    assert sign.clock_us == 1_000_000


def test_another_boot_number_in_hello_is_a_reset_and_its_boot_line_no_second_one() -> None:
    heard = Heard()
    heard.notification(5, 90_000_000, alive(7))
    heard.ask(1, "hello")
    boot, answered = heard.feed(LINE_UP, codec.answer(1, ("hello", "01", "0B", "0080", "0008", "met")))
    assert boot == Boot(heard.at_us, 1, 8, "seen")
    assert isinstance(answered, Answered)
    (told,) = heard.notification(0, 784, "boot 0008 reset 01")
    assert told == Notification(heard.at_us, 1, 784, ("boot", "0008", "reset", "01"), True)
    assert heard.counters.boots == 1
    assert heard.counters.missing == 0


def test_a_clock_that_steps_back_is_a_reset() -> None:
    heard = Heard()
    heard.notification(5, 90_000_000, alive(7))
    boot, gap, moved = heard.notification(2, 50_000, "is sw1=1")
    assert boot == Boot(heard.at_us, 1, 8, "seen")
    assert gap == Gap(heard.at_us, 1, 2)
    assert isinstance(moved, Moved)
    assert moved.clock_us == 50_000
    # The heartbeat that follows says which number it really was, and that is no further reset.
    assert kinds(heard.notification(3, 60_000, alive(9))) == ["Alive"]
    assert heard.counters.boots == 1


def test_notifications_that_waited_long_behind_answers_are_no_reset() -> None:
    """A slow line and many changes: answers go first (line protocol, section 9), so what comes next is much older."""
    heard = Heard()
    heard.notification(5, 60_000_000, alive(7))
    heard.ask(1, "read all")
    heard.answer(1, "read 0005 03B8E900 00 sw1=0")  # 62.45 s
    assert kinds(heard.notification(6, 60_100_000, "is sw1=1")) == ["Moved"]
    assert heard.counters.boots == 0


def test_the_first_boot_number_heard_is_no_reset() -> None:
    heard = Heard()
    assert kinds(heard.notification(5, 90_000_000, alive(7))) == ["Alive"]
    assert heard.answer(1, "hello 01 0B 0080 0007 met").words[0] == "hello"
    assert heard.counters.boots == 0


# --- clocks --------------------------------------------------------------------------------


def clock_of(events: Sequence[Event]) -> int:
    event = events[-1]
    assert isinstance(event, Moved | Notification | Alive | Edge)
    return event.clock_us


def test_a_clock_goes_on_over_its_wrap() -> None:
    heard = Heard()
    assert clock_of(heard.notification(0, 0xFFFFFF00, "is sw1=1")) == 0xFFFFFF00
    assert clock_of(heard.notification(1, 0x00000100, "is sw1=0")) == 0x1_0000_0100
    assert clock_of(heard.notification(2, 0x00000200, "is sw1=1")) == 0x1_0000_0200


def test_alive_says_which_wrap_it_is() -> None:
    heard = Heard()
    assert clock_of(heard.notification(0, 0x100, "is sw1=1")) == 0x100
    assert clock_of(heard.notification(1, 0x200, alive(7, wraps=3))) == 0x3_0000_0200
    assert clock_of(heard.notification(2, 0x300, "is sw1=0")) == 0x3_0000_0300


def test_an_edge_told_a_little_late_steps_back_and_is_no_wrap() -> None:
    heard = Heard()
    heard.notification(0, 1_000_000, alive(7, wraps=1))
    heard.notification(1, 2_000_000, "is sw1=1")
    edges = heard.notification(2, 1_995_000, "edge sw1=1 0123 0045")
    base = (1 << 32) + 1_995_000
    assert [(edge.level, edge.clock_us) for edge in edges if isinstance(edge, Edge)] == [
        (1, base),
        (0, base + 0x123),
        (1, base + 0x123 + 0x45),
    ]
    assert clock_of(heard.notification(3, 2_000_100, "is sw1=0")) == (1 << 32) + 2_000_100


def test_a_long_silence_is_bridged_by_the_clock_of_the_host() -> None:
    heard = Heard()
    heard.notification(0, 0, "is sw1=1")
    # Three hours later by the host; a board's clock a little fast. No heartbeat in between.
    heard.at_us += 3 * 3_600_000_000
    true_us = 3 * 3_600_000_000 + 50_000_000
    assert clock_of(heard.notification(1, true_us & 0xFFFFFFFF, "is sw1=0")) == true_us


def test_clocks_in_answers_unwrap_beside_notifications() -> None:
    heard = Heard()
    heard.notification(0, 0xFFFFFF00, alive(7, wraps=2))
    assert heard.observer.clock_us(1, 0x00000010) == 0x3_0000_0010
    assert heard.observer.clock_us(1, 0xFFFFFE00) == 0x2_FFFF_FE00
    assert heard.observer.clock_us(99, 17) == 17


@settings(deadline=None)
@given(st.lists(st.integers(0, 2**31 - 1), min_size=1, max_size=50), st.integers(0, 2**40))
def test_clocks_unwrap_to_the_truth_whatever_the_steps(steps: list[int], start: int) -> None:
    heard = Heard()
    true_us = start
    heard.notification(0, true_us & 0xFFFFFFFF, alive(1, wraps=true_us >> 32))
    for number, step in enumerate(steps, 1):
        true_us += step
        assert clock_of(heard.notification(number, true_us & 0xFFFFFFFF, "is sw1=1")) == true_us


# --- requests and answers --------------------------------------------------------------------------------


def test_an_answer_is_paired_with_its_request_and_timed() -> None:
    heard = Heard()
    (asked,) = heard.ask(0x0F, "set l1=1F4")
    heard.at_us += 3_000
    answered = heard.answer(0x0F, "set 0012ABCD")
    assert answered.request == asked == Asked(1_000, 1, 0x0F, ("set", "l1=1F4"))
    assert answered.took_us == 4_000
    assert heard.answer(0x0F, "set 0012ABCD").request is None


def test_a_refusal_is_an_answer() -> None:
    heard = Heard()
    heard.ask(7, "set nosuch=0")
    answered = heard.answer(7, "no 03 no such channel")
    assert answered.request is not None
    assert answered.request.words == ("set", "nosuch=0")


def test_a_repeated_request_has_no_time_for_it_is_not_known_which_was_answered() -> None:
    heard = Heard()
    heard.ask(7, "set l1=1F4")
    heard.at_us += 250_000
    heard.ask(7, "set l1=1F4")
    first, second, third = (heard.answer(7, "set 0012ABCD") for _ in range(3))
    assert first.request == second.request == Asked(1_000, 1, 7, ("set", "l1=1F4"))
    assert first.took_us is None
    assert second.took_us is None
    assert third.request is None


def test_a_late_answer_is_not_taken_for_that_of_a_new_request_with_the_same_tag() -> None:
    heard = Heard()
    heard.ask(7, "set l1=1F4")
    heard.ask(7, "read all")
    late = heard.answer(7, "set 0012ABCD")
    assert late.request is None
    answered = heard.answer(7, "read 0000 0012ABCD 00")
    assert answered.request is not None
    assert answered.request.words == ("read", "all")


def test_the_same_words_and_tag_after_the_answer_are_a_new_request() -> None:
    heard = Heard()
    for _ in range(2):
        (asked,) = heard.ask(7, "read all")
        answered = heard.answer(7, "read 0000 0012ABCD 00")
        assert answered.request == asked
        assert answered.took_us == 1_000


def test_requests_typed_by_hand_are_answered_in_their_order() -> None:
    heard = Heard()
    heard.hand("hello")
    heard.hand("set l1=1F4")
    first, second = heard.answer(0, "hello 01 0B 0080 0007 met"), heard.answer(0, "no 06 dark is on")
    assert first.request is not None
    assert second.request is not None
    assert (first.request.words[0], second.request.words[0]) == ("hello", "set")


def test_a_port_that_comes_anew_owes_no_answers() -> None:
    heard = Heard()
    heard.ask(7, "set l1=1F4")
    heard.feed(LINK, b"lost port=/dev/x why=gone")
    heard.feed(LINK, b"opened port=/dev/x")
    assert heard.answer(7, "set 0012ABCD").request is None


def test_what_a_board_sent_before_its_port_was_opened_was_not_lost_on_the_way() -> None:
    heard = Heard()
    heard.notification(10, 1_000_000, alive(3))
    heard.feed(LINK, b"lost port=/dev/x why=unplugged")
    heard.feed(LINK, b"opened port=/dev/x")  # some time after it was plugged in again and started
    assert kinds(heard.notification(2, 2_000_000, alive(4))) == ["Boot", "Alive"]
    heard.feed(LINK, b"released port=/dev/x")
    heard.feed(LINK, b"opened port=/dev/x")
    assert kinds(heard.notification(9, 9_000_000, alive(4))) == ["Alive"]
    assert heard.counters.missing == 0
    assert kinds(heard.notification(11, 11_000_000, alive(4))) == ["Gap", "Alive"]


def test_a_boot_line_that_comes_after_the_answer_to_hello_is_the_same_reset_on_a_port_just_opened() -> None:
    heard = Heard()
    heard.notification(10, 1_000_000, alive(3))
    heard.feed(LINK, b"opened port=/dev/x")
    heard.ask(1, "hello")
    assert kinds(heard.feed(LINE_UP, codec.answer(1, ("hello", "01", "0A", "0080", "0004", "met")))) == [
        "Boot",
        "Answered",
    ]
    assert kinds(heard.notification(0, 0, "boot 0004 power 01")) == ["Notification"]


def test_what_waits_for_answers_is_bounded() -> None:
    heard = Heard()
    for count in range(2_000):
        heard.hand("hello")
        heard.ask(count % 255 + 1, f"item {count % 256:02X}")
    (board,) = heard.observer.snapshot()["boards"]
    assert len(board["waiting"]) == 255
    assert len(board["hand"]) == HAND_MOST
