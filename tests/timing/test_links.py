"""What is wrong with a link: each simulated trouble is named, healthy links are left alone."""

from __future__ import annotations

import functools
import random

import pytest
from timing.simulated_links import TROUBLES, SimulatedLinks, first_named, one_bit

from benchcon.state import BenchState
from benchcon.timing.links import LEAST_LINES, LinkEvidence, as_text, flipped_bit, is_printed
from benchcon.wire import codec
from benchcon.wire.records import BYTES_UP, LINE_UP, LINK, Batch

SHARED = ("host", "hub")


@pytest.mark.parametrize("trouble", TROUBLES)
def test_each_trouble_is_named_first_and_the_neighbour_left_alone(trouble: str) -> None:
    assert first_named(trouble, 1) == (trouble, trouble if trouble in SHARED else "")


def test_healthy_links_are_not_accused() -> None:
    assert {first_named("", seed) for seed in range(6)} == {("", "")}


def test_the_check_tells_which_bit_was_turned() -> None:
    rng = random.Random(3)
    for number in range(40):
        line = codec.notification(number, 1000 * number, ["is", f"sw1={number % 2}"])
        damaged = one_bit(line, rng)
        (bit,) = {(a ^ b).bit_length() - 1 for a, b in zip(line, damaged, strict=True) if a != b}
        # RFC-style CRC-16: one or two flipped bits are always seen, so only this one makes it whole.
        assert flipped_bit(damaged) == bit
    assert flipped_bit(b"something else") is None


@functools.cache
def verdict_text(trouble: str) -> str:
    state = BenchState()
    links = LinkEvidence(state)
    for batch in SimulatedLinks(trouble, 1).stream():
        for event in state.feed(batch):
            links.take(event)
    return " ".join(as_text(links.verdicts(), state).split())


def test_a_sentence_says_what_was_seen_and_what_to_do_first() -> None:
    assert "Build its firmware for 500000 baud" in verdict_text("baud")
    assert ".." not in verdict_text("baud")
    assert "set it to 1 ms" in verdict_text("timer")
    assert verdict_text("both").startswith("desk: 1 line in ")
    assert "Cable or ground: try another, shorter cable first" in verdict_text("both")
    assert "from a supply of their own" in verdict_text("supply")
    assert "lug this board into the computer itself" in verdict_text("hub")
    assert verdict_text("") == ""


def test_what_never_spoke_the_protocol_is_not_called_damaged() -> None:
    state = BenchState()
    links = LinkEvidence(state)
    batches = [Batch(0, 1, LINK, [b"opened port=/dev/ttyUSB1 rate=9600"])]
    batches += [Batch(3_000_000 + n * 10_000, 1, BYTES_UP, [b"$GPGGA,123519"]) for n in range(500)]
    batches += [
        Batch(9_000_000, 1, LINE_UP, [codec.notification(n, n, ["is", "sw1=1"])]) for n in range(LEAST_LINES // 2)
    ]
    for batch in batches:
        for event in state.feed(batch):
            links.take(event)
    assert links.verdicts() == []


def test_what_the_firmware_prints_is_not_called_a_damaged_line() -> None:
    """Debugging output was called a bad line from the board, or (with a degree sign) two ends at different rates."""
    state = BenchState()
    links = LinkEvidence(state)
    batches = [Batch(0, 1, LINK, [b"opened port=/dev/ttyUSB1 rate=115200"])]
    for n in range(200):
        at_us = 3_000_000 + n * 10_000
        batches.append(Batch(at_us, 1, LINE_UP, [codec.notification(n, at_us, ["is", f"sw1={n % 2}"])]))
        if n % 10 == 0:
            batches.append(Batch(at_us + 1, 1, BYTES_UP, [f"button {n}: {n} ms, 23 °C".encode()]))
    for batch in batches:
        for event in state.feed(batch):
            links.take(event)
    (verdict,) = links.verdicts()
    assert verdict.word == "prints text"
    assert verdict.sentence.startswith("20 lines from the board are plain text, such as 'button 190: 190 ms, 23 °C'. ")


def test_what_is_left_of_a_line_is_not_taken_for_printed_text() -> None:
    line = codec.notification(7, 70_000, ["is", "sw1=1"])
    assert not any(is_printed(line[:end]) for end in range(len(line)))
    assert not any(is_printed(line[begin:]) for begin in range(len(line)))
    assert not any(is_printed(one_bit(line, random.Random(seed))) for seed in range(200))


def test_a_late_computer_is_told_once_however_many_boards_it_was_late_with() -> None:
    text = verdict_text("host")
    assert text.count("This computer sent") == 1
    assert "desk:" not in text
