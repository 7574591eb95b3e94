"""The observer and strangers: unknown words, odd bytes, any capture whatever; keyframes; reads of many lines."""

from __future__ import annotations

import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from wire.heard import Heard, kinds

from benchcon.wire import codec
from benchcon.wire.events import Link, Note, Notification, Odd
from benchcon.wire.observed import UNKNOWN_MOST
from benchcon.wire.observer import TAILS_MOST, Observer
from benchcon.wire.records import BYTES_DOWN, BYTES_UP, KEYFRAME, KINDS, LINE_UP, LINK, NOTE, Batch

# --- strangers --------------------------------------------------------------------------------


def test_unknown_words_are_kept_counted_and_bounded() -> None:
    heard = Heard()
    (told,) = heard.notification(0, 5, "temperature t1=1A2")
    assert told == Notification(heard.at_us, 1, 5, ("temperature", "t1=1A2"), False)
    for number in range(1, 200):
        word = f"w{number}"
        heard.notification(number, 5 + number, word)
    assert heard.counters.unknown["temperature"] == 1
    assert len(heard.counters.unknown) == UNKNOWN_MOST + 1
    assert sum(heard.counters.unknown.values()) == 200
    assert heard.counters.missing == 0


def test_values_never_seen_before_fill_no_memory() -> None:
    observer = Observer()
    for number in range(3 * TAILS_MOST):
        observer.feed(Batch(number, 1, LINE_UP, [codec.notification(number, number, ("is", f"p1={number:04X}"))]))
    assert len(observer._tails) <= TAILS_MOST


def test_odd_bytes_are_told_with_their_reason_and_counted() -> None:
    heard = Heard()
    assert heard.feed(BYTES_UP, b"\xff\xfe") == [Odd(heard.at_us, 1, b"\xff\xfe", "noise")]
    assert heard.feed(BYTES_DOWN, b">01 hel") == [Odd(heard.at_us, 1, b">01 hel", "torn")]
    assert (heard.counters.bad, heard.counters.bad_down) == (1, 1)
    assert heard.counters.why == {"noise": 1, "torn": 1}


def test_links_and_notes_are_read_and_made_harmless() -> None:
    heard = Heard()
    assert heard.feed(LINK, b"opened port=/dev/ttyUSB0 name=a%20b odd") == [
        Link(heard.at_us, 1, "opened", {"port": "/dev/ttyUSB0", "name": "a b"})
    ]
    assert heard.feed(NOTE, b"mark now \xc3\xa4", b"\x1b[2J x") == [
        Note(heard.at_us, 1, "mark", "now ä"),
        Note(heard.at_us, 1, "\\x1B[2J", "x"),
    ]
    assert heard.feed(KEYFRAME, b"{}") == []


bodies = st.one_of(
    st.binary(max_size=100),
    st.builds(codec.seal, st.text("<>!@#0123456789ABCDEFabcdefis= ", max_size=60)),
    st.builds(
        codec.notification,
        st.integers(0, 0xFFFF),
        st.integers(0, 0xFFFFFFFF),
        st.sampled_from(
            [
                ("is", "sw1=1"),
                ("is", "sw1=xyz"),
                ("edge", "sw1=1", "0123"),
                ("edge", "sw1"),
                ("raw", "p1=03FF"),
                ("alive", "0007", "0000", "0000", "0000", "0000", "0000", "00"),
                ("alive", "7"),
                ("boot", "0001", "power", "01"),
                ("boot",),
                ("lost", "0012"),
                ("lost", "many"),
                ("dark", "local"),
                ("zzz",),
            ]
        ),
    ),
    st.builds(
        codec.answer,
        st.integers(0, 255),
        st.sampled_from(
            [("read", "0001", "00000001", "00"), ("read",), ("hello", "01", "0", "0", "0007", "x"), ("no",), ("set",)]
        ),
    ),
    st.builds(codec.request, st.integers(1, 255), st.sampled_from([("hello",), ("set", "l1=000"), ("set",)])),
)
batches = st.builds(
    Batch, st.integers(0, 2**50), st.integers(0, 3), st.sampled_from(KINDS), st.lists(bodies, min_size=1, max_size=6)
)


@settings(deadline=None)
@given(st.lists(batches, max_size=20))
def test_nothing_that_a_capture_may_hold_makes_it_raise(stream: list[Batch]) -> None:
    observer = Observer()
    for batch in stream:
        for event in observer.feed(batch):
            assert event[:2] == batch[:2]
    json.dumps(observer.snapshot())


@settings(deadline=None)
@given(st.lists(batches, max_size=24), st.integers(0, 24))
def test_a_stream_that_starts_at_a_keyframe_goes_on_identically(stream: list[Batch], at: int) -> None:
    whole = Observer()
    for batch in stream[:at]:
        whole.feed(batch)
    begun = Observer()
    begun.restore(json.loads(json.dumps(whole.snapshot())))
    assert begun.snapshot() == whole.snapshot()
    for batch in stream[at:]:
        assert begun.feed(batch) == whole.feed(batch)
    assert begun.snapshot() == whole.snapshot()


@settings(deadline=None)
@given(st.data())
def test_a_read_of_many_lines_means_what_its_lines_mean(data: st.DataObject) -> None:
    """The quick way for whole reads and the way for single lines come to the same."""
    number, clock = data.draw(st.integers(0, 0xFFFF)), data.draw(st.sampled_from([0, 2**31, 2**32 - 5_000]))
    lines = [codec.notification(number, clock, ("alive", "0001", "0002", "0000", "0000", "0000", "0000", "00"))]
    for _ in range(data.draw(st.integers(1, 30))):
        number += data.draw(st.sampled_from([1, 1, 1, 1, 1, 1, 0, 2, 60_000]))
        clock += data.draw(st.sampled_from([0, 1, 500, 500, 500, 3_000, 100_000, -700, -5_000_000]))
        words = data.draw(
            st.sampled_from([("is", "sw1=1"), ("is", "sw1=0", "e1=FFFE"), ("is", "p1=03FF"), ("is", "x")])
        )
        lines.append(codec.notification(number, clock, words))
    one, many = Observer(), Observer()
    first = Batch(1_000, 1, LINE_UP, lines[:1])
    assert one.feed(first) == many.feed(first)
    singly = [event for line in lines[1:] for event in one.feed(Batch(2_000, 1, LINE_UP, [line]))]
    assert many.feed(Batch(2_000, 1, LINE_UP, lines[1:])) == singly
    assert one.snapshot() == many.snapshot()


@pytest.mark.parametrize("wrong", [{}, {"boards": [{}]}, {"boards": None}, {"boards": [{"source": 1, "counters": 7}]}])
def test_a_keyframe_of_a_stranger_is_refused_and_changes_nothing(wrong: dict[str, object]) -> None:
    heard = Heard()
    heard.notification(5, 100, "is sw1=1")
    before = heard.observer.snapshot()
    with pytest.raises((ValueError, TypeError, KeyError)):
        heard.observer.restore(wrong)
    assert heard.observer.snapshot() == before


def test_two_boards_do_not_mix() -> None:
    observer = Observer()
    line = codec.notification(5, 100, ("is", "sw1=1"))
    observer.feed(Batch(0, 1, LINE_UP, [line]))
    assert kinds(observer.feed(Batch(1, 2, LINE_UP, [codec.notification(900, 5, ("is", "sw1=1"))]))) == ["Moved"]
    assert kinds(observer.feed(Batch(2, 1, LINE_UP, [codec.notification(6, 200, ("is", "sw1=0"))]))) == ["Moved"]
    assert observer.counters(3).notifications == 0
    assert len(observer.snapshot()["boards"]) == 2
