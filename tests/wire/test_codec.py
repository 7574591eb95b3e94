"""Whatever the bytes and however they are cut: nothing raises, memory stays bounded, the next good line is found."""

from __future__ import annotations

import sys
from itertools import pairwise

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from benchcon.wire import codec
from benchcon.wire.codec import LINE_MOST, RAW_MOST, REASONS, SHAPES_MOST, Splitter
from benchcon.wire.items import Item, item_of, item_words
from benchcon.wire.quote import quote, unquote
from benchcon.wire.records import BYTES_UP, LINE_UP

LOWER = "abcdefghijklmnopqrstuvwxyz"
FOLLOWING = LOWER + "0123456789_"
TEXT = "".join(chr(code) for code in range(0x21, 0x7F) if chr(code) not in "<>!#@%")
pieces_of_text = st.one_of(st.sampled_from(TEXT), st.integers(0, 255).map("%{:02X}".format))
words = st.builds(
    lambda first, rest: (first, *rest),
    st.builds(str.__add__, st.sampled_from(LOWER), st.text(FOLLOWING, max_size=11)),
    st.lists(st.lists(pieces_of_text, min_size=1, max_size=8).map("".join), max_size=5),
)
numbers, clocks = st.integers(0, 0xFFFF), st.integers(0, 0xFFFFFFFF)


def fits(words: tuple[str, ...]) -> None:
    assume(len(" ".join(words)) <= LINE_MOST - len("!0000 00000000 ") - len(" #0000"))


@given(numbers, clocks, words)
def test_a_notification_comes_back_as_it_was_built(number: int, clock: int, words: tuple[str, ...]) -> None:
    fits(words)
    assert codec.parse(codec.notification(number, clock, words)) == ("notification", 0, number, clock, words)


@given(st.integers(1, 255), words)
def test_requests_and_answers_come_back_as_they_were_built(tag: int, words: tuple[str, ...]) -> None:
    fits(words)
    assert codec.parse(codec.request(tag, words)) == ("request", tag, 0, 0, words)
    assert codec.parse(codec.answer(tag, words)) == ("answer", tag, 0, 0, words)


@given(st.integers(1, 255), st.integers(1, 255), words)
def test_a_request_with_another_tag_is_as_it_would_have_been_built(
    tag: int, other: int, words: tuple[str, ...]
) -> None:
    fits(words)
    assert codec.retagged(codec.request(other, words), tag) == codec.request(tag, words)


@given(st.integers(1, 255), words)
def test_a_board_hears_what_was_asked_by_machine_or_by_hand(tag: int, words: tuple[str, ...]) -> None:
    fits(words)
    splitter = codec.Splitter("down", by_hand=True)
    lines = [codec.request(tag, words), codec.by_hand(words)]
    heard = [body for _, bodies in splitter.feed(b"\n".join([*lines, b""])) for body in bodies]
    assert [codec.heard_request(body) for body in heard] == [(tag, list(words)), (0, list(words))]


@given(words)
def test_lines_typed_by_hand_come_back_as_they_were_built(words: tuple[str, ...]) -> None:
    fits(words)
    assert codec.parse(codec.by_hand(words)) == ("by hand", 0, 0, 0, words)


@pytest.mark.parametrize(
    "wrong",
    [
        ("Set",),
        ("set", ""),
        ("set", "a b"),
        ("set", "a\nb"),
        ("set", "#1"),
        ("set", "ü"),
        ("set", "\udc80"),
        ("a" * 13,),
        ("a", "b" * 80),
    ],
)
def test_nothing_that_is_no_line_is_ever_built(wrong: tuple[str, ...]) -> None:
    for build in (
        lambda: codec.request(1, wrong),
        lambda: codec.answer(1, wrong),
        lambda: codec.notification(0, 0, wrong),
        lambda: codec.by_hand(wrong),
    ):
        with pytest.raises(ValueError, match=r"not a line|bytes"):
            build()
    with pytest.raises(ValueError, match="not a line"):
        codec.request(0, ("hello",))


# --- streams ----------------------------------------------------------------------------------------------------------


def cut(stream: bytes, places: list[int]) -> list[bytes]:
    edges = [0, *sorted(place % (len(stream) + 1) for place in places), len(stream)]
    return [stream[start:end] for start, end in pairwise(edges)]


def split_up(splitter: Splitter, pieces: list[bytes]) -> list[tuple[str, bytes]]:
    return [(kind, body) for piece in pieces for kind, bodies in splitter.feed(piece) for body in bodies]


good_lines = st.one_of(
    st.builds(codec.notification, numbers, clocks, words.filter(lambda words: len(" ".join(words)) < 50)),
    st.builds(
        lambda number, clock, values: codec.notification(
            number, clock, ("is", *(f"sw{at}={value:X}" for at, value in values))
        ),
        numbers,
        clocks,
        st.lists(st.tuples(st.integers(0, 99), st.integers(0, 0xFFFF)), min_size=1, max_size=4),
    ),
    st.builds(codec.answer, st.integers(0, 255), words.filter(lambda words: len(" ".join(words)) < 50)),
)
noise = st.one_of(
    st.binary(max_size=200),
    good_lines.flatmap(lambda line: st.integers(0, len(line) - 1).map(lambda at: line[:at])),
    good_lines.flatmap(
        lambda line: st.tuples(st.integers(0, len(line) - 1), st.integers(0, 7)).map(
            lambda flip: line[: flip[0]] + bytes((line[flip[0]] ^ 1 << flip[1],)) + line[flip[0] + 1 :]
        )
    ),
)
ends = st.sampled_from([b"\n", b"\r", b"\r\n", b"\n\n"])


@settings(deadline=None)
@given(st.lists(st.tuples(st.one_of(good_lines, noise), ends), max_size=12), st.lists(st.integers(0, 2000), max_size=8))
def test_how_a_stream_is_cut_makes_no_difference(parts: list[tuple[bytes, bytes]], places: list[int]) -> None:
    stream = b"".join(line + end for line, end in parts)
    whole, pieces = Splitter("up"), Splitter("up")
    assert split_up(whole, [stream]) == split_up(pieces, cut(stream, places))
    assert (whole.rest(), whole.discarded) == (pieces.rest(), pieces.discarded)
    bytewise = Splitter("up")
    assert split_up(bytewise, [stream[at : at + 1] for at in range(len(stream))]) == split_up(Splitter("up"), [stream])


@settings(deadline=None)
@given(st.lists(st.tuples(st.one_of(good_lines, noise), ends), max_size=12))
def test_the_quick_way_and_the_line_by_line_way_agree(parts: list[tuple[bytes, bytes]]) -> None:
    splitter = Splitter("up")
    for _ in range(2):  # the second time every shape is known
        for line, end in parts:
            for kind, body in split_up(splitter, [line + end]):
                try:
                    fine = codec.parse(body).kind in ("notification", "answer")
                except ValueError:
                    fine = False
                assert (kind == LINE_UP) is fine, body


@settings(deadline=None)
@given(st.lists(st.binary(max_size=300), max_size=30), good_lines)
def test_any_bytes_whatever_and_then_a_good_line(pieces: list[bytes], line: bytes) -> None:
    splitter = Splitter("up")
    for piece in pieces:
        for kind, bodies in splitter.feed(piece):
            for body in bodies:
                assert 0 < len(body) <= RAW_MOST
                if kind == BYTES_UP:
                    assert codec.explain_bad(body) in REASONS
        assert splitter.pending < RAW_MOST
    splitter.feed(b"\n")
    assert splitter.feed(line + b"\n") == [(LINE_UP, [line])]


@given(st.lists(st.binary(max_size=120), max_size=20))
def test_no_byte_is_lost_without_being_counted(pieces: list[bytes]) -> None:
    splitter = Splitter("up")
    kept = sum(len(body) for _, body in split_up(splitter, pieces))
    ends = sum(piece.count(b"\n") + piece.count(b"\r") for piece in pieces)
    assert kept + ends + splitter.discarded + splitter.pending == sum(map(len, pieces))


def test_an_endless_line_takes_no_memory() -> None:
    splitter = Splitter("up")
    runs = [run for _ in range(1_000) for run in splitter.feed(b"x" * 1_000)]
    assert runs == [(BYTES_UP, [b"x" * RAW_MOST])]
    assert splitter.discarded == 1_000_000 - RAW_MOST
    assert splitter.pending == 0
    assert splitter.feed(b"\n" + codec.seal("<01 wink") + b"\n") == [(LINE_UP, [codec.seal("<01 wink")])]


def test_a_sender_of_ever_new_lines_fills_no_memory() -> None:
    splitter = Splitter("up")
    for number in range(20 * SHAPES_MOST):
        word = "".join(LOWER[number // 26**place % 26] for place in range(4))
        splitter.feed(codec.notification(0, 0, (word, "x" * (number % 40 + 1))) + b"\n")
    assert sum(sys.getsizeof(shape) for shape in splitter._shapes) < 150_000


def test_a_capital_cannot_hide_in_a_word_whose_shape_is_known() -> None:
    splitter = Splitter("up")
    good, wrong = codec.notification(0, 0, ("ab1", "x")), codec.seal("!0000 00000000 abA x")
    for _ in range(2):
        assert splitter.feed(good + b"\n") == [(LINE_UP, [good])]
        assert splitter.feed(wrong + b"\n") == [(BYTES_UP, [wrong])]
    down = Splitter("down")
    good, wrong = codec.request(1, ("hello",)), codec.seal(">00 hello")
    for _ in range(2):
        assert split_up(down, [good + b"\n" + wrong + b"\n"]) == [(">", good), (")", wrong)]


# --- text and items ---------------------------------------------------------------------------------------------------


@given(st.text(st.characters(exclude_categories=["Cs"])))
def test_text_reads_back_from_its_word(text: str) -> None:
    word = quote(text)
    assert unquote(word) == text
    assert set(word) <= set(TEXT.replace("=", "") + "%")


@given(st.text(), st.binary())
def test_reading_text_never_raises(text: str, raw: bytes) -> None:
    unquote(text)
    unquote(raw.decode("latin-1"))
    quote(text)


keys = st.builds(str.__add__, st.sampled_from(LOWER), st.text(FOLLOWING, max_size=5))


@given(
    st.integers(0, 255),
    st.sampled_from(["contact", "pot", "lamp", "display", "gauge"]),
    keys,
    st.dictionaries(keys, st.text(st.characters(exclude_categories=["Cs"]))),
)
def test_an_item_reads_back_from_its_words(index: int, kind: str, channel: str, detail: dict[str, str]) -> None:
    item = Item(index, kind, channel, detail)
    assert item_of(("item", f"{index:02X}", *item_words(item))) == item


@given(st.lists(st.text(max_size=20), max_size=6))
def test_any_words_make_an_item_or_none(words: list[str]) -> None:
    item = item_of(["item", *words])
    if item is not None:
        assert item.width <= 16
        assert item.most >= 0
        item.number("top")


def test_what_is_no_number_in_an_item_is_passed_over() -> None:
    item = item_of(("item", "05", "pot", "p1", "top=lots", "pin=A1"))
    assert item is not None
    assert item.most == 0xFFFF
    assert item_of(("item", "05")) is None
    assert item_of(("no", "09", "no", "such")) is None
    strange = item_of(("item", "06", "display", "d1", "digits=FF"))
    assert strange is not None
    assert strange.width == 16
