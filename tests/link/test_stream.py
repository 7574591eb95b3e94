"""The stream of a bench: one order for all who look on."""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from benchcon.link.stream import Stream
from benchcon.wire import events as ev
from benchcon.wire.codec import notification
from benchcon.wire.records import BENCH, LINE_UP, LINK, NOTE, Batch


def test_all_hear_the_same_in_the_same_order_though_one_of_them_speaks_up() -> None:
    stream = Stream()
    heard: list[list[str]] = [[], []]
    note = Batch(5, BENCH, NOTE, [b"mark 1"])
    for ear in heard:

        def listen(batches: list[Batch], ear: list[str] = ear) -> None:
            ear.extend(batch.kind for batch in batches)
            if len(heard[0]) == 1 and ear is heard[0]:
                assert stream.emit([note]) == []

        stream.subscribe(listen)
    stream.emit([Batch(5, 1, LINE_UP, [notification(0, 1, ("is", "sw1=1"))])])
    assert heard == [[LINE_UP, NOTE], [LINE_UP, NOTE]]


def test_stamps_never_decrease_and_followers_get_what_was_observed_once() -> None:
    stream = Stream()
    stamps: list[int] = []
    seen: list[ev.Event] = []

    def follow(batches: list[Batch], events: list[Sequence[ev.Event]]) -> None:
        stamps.extend(batch.at_us for batch in batches)
        seen.extend(event for each in events for event in each)

    end = stream.follow(follow)
    given = stream.emit([Batch(9, 1, LINE_UP, [notification(0, 1, ("is", "sw1=1"))]), Batch(7, 1, LINK, [b"stuck"])])
    assert stamps == [9, 9]
    assert seen == [event for each in given for event in each]
    end()
    stream.emit([Batch(10, 1, LINK, [b"moving"])])
    assert stamps == [9, 9]


def test_one_that_fails_is_dismissed_in_the_stream_s_own_words_and_the_others_go_on() -> None:
    stream = Stream()
    heard: list[Batch] = []

    def broken(batches: list[Batch]) -> None:
        raise ValueError("no such\x1b[2J thing")

    stream.subscribe(broken)
    stream.subscribe(heard.extend)
    for at_us in (1, 2):
        stream.emit([Batch(at_us, 1, LINK, [b"stuck"])])
    assert [batch.bodies[0].split(b" ")[0] for batch in heard] == [b"stuck", b"dismissed", b"stuck"]
    assert b"\x1b" not in heard[1].bodies[0]


def test_where_nobody_is_to_be_dismissed_a_fault_goes_to_who_has_emitted() -> None:
    stream = Stream(careful=False)

    def broken(batches: list[Batch]) -> None:
        raise ValueError("a rule went wrong")

    stream.subscribe(broken)
    with pytest.raises(ValueError, match="a rule went wrong"):
        stream.emit([Batch(1, 1, LINK, [b"stuck"])])
