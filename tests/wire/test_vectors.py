"""Hand-written vectors against our codec and observer, and against the grammar through an independent parser.

Sources: RFC 5234 and RFC 7405 (PyPI `abnf`); the catalogue of parametrised CRC algorithms, CRC-16/IBM-3740, check value
29B1 (PyPI `crc`).
"""

from __future__ import annotations

import functools
from typing import Any

import pytest
from abnf import ParseError, Rule
from crc import Calculator, Configuration
from wire.vector_files import Block, blocks, has, only, raw

from benchcon.protocol_files import protocols_dir
from benchcon.wire import codec, quote
from benchcon.wire.events import Alive, Boot, Edge, Event, Moved, Notification, Reading
from benchcon.wire.observer import Observer
from benchcon.wire.records import BYTES_DOWN, BYTES_UP, LINE_DOWN, LINE_UP, Batch

GOOD = blocks("lines-good.txt")
BAD = blocks("lines-bad.txt")
IBM_3740 = Calculator(Configuration(width=16, polynomial=0x1021, init_value=0xFFFF))


class Grammar(Rule):
    """The rules of `protocols/line-protocol.abnf`."""


@functools.cache
def grammar() -> type[Grammar]:
    Grammar.from_file(protocols_dir() / "line-protocol.abnf")
    return Grammar


def grammatical(line: bytes) -> bool:
    try:
        grammar()("line").parse_all(line.decode("latin-1"))
    except ParseError:
        return False
    return True


def line_of(block: Block) -> bytes:
    return (
        only(block, "line" if has(block, "line") else "bytes").encode()
        if has(block, "line")
        else raw(only(block, "bytes"))
    )


def name(block: Block) -> str:
    return next(value for key, value in block if key in ("line", "bytes", "text", "word", "ask"))[:40]


@pytest.mark.parametrize("block", GOOD, ids=name)
def test_a_good_line_means_what_the_vector_says(block: Block) -> None:
    line = line_of(block)
    assert grammatical(line)
    parsed = codec.parse(line)
    kind = only(block, "kind").replace("-", " ")
    assert parsed.kind == kind
    assert " ".join(parsed.words) == only(block, "words")
    if kind == "notification":
        assert (parsed.number, parsed.clock) == (int(only(block, "number")), int(only(block, "clock")))
    else:
        assert parsed.tag == int(only(block, "tag"))
    words = tuple(only(block, "words").split(" "))
    built = {
        "request": lambda: codec.request(parsed.tag, words),
        "answer": lambda: codec.answer(parsed.tag, words),
        "notification": lambda: codec.notification(parsed.number, parsed.clock, words),
        "by hand": lambda: codec.by_hand(words),
    }
    assert built[kind]() == line


@pytest.mark.parametrize("block", [block for block in GOOD if only(block, "kind") != "by-hand"], ids=name)
def test_the_check_of_a_good_line_is_that_of_an_independent_library(block: Block) -> None:
    body, _, check = line_of(block).partition(b"#")
    assert f"{IBM_3740.checksum(body):04X}".encode() == check


@pytest.mark.parametrize("block", GOOD, ids=name)
def test_a_good_line_goes_through_the_splitter_in_its_direction_only(block: Block) -> None:
    line = line_of(block)
    up = only(block, "kind") in ("answer", "notification")
    assert codec.Splitter("up").feed(line + b"\n") == [(LINE_UP if up else BYTES_UP, [line])]
    assert codec.Splitter("down", by_hand=True).feed(line + b"\r") == [(BYTES_DOWN if up else LINE_DOWN, [line])]


@pytest.mark.parametrize("block", [block for block in GOOD if has(block, "event")], ids=name)
def test_a_notification_says_what_the_vector_says(block: Block) -> None:
    told = Observer().feed(Batch(1_000, 1, LINE_UP, [line_of(block)]))
    assert [described(event) for event in told] == [value for key, value in block if key == "event"]


def described(event: Event) -> str:
    if isinstance(event, Moved):
        return " ".join(["moved", *(f"{channel}={value}" for channel, value in event.values.items())])
    if isinstance(event, Edge):
        return f"edge {event.channel} {event.level} {event.clock_us}"
    if isinstance(event, Reading):
        return f"reading {event.channel} {event.counts}"
    if isinstance(event, Alive):
        return " ".join(["alive", *(str(int(value)) for value in event[3:])])
    if isinstance(event, Boot):
        return f"boot {event.boot} {event.cause}"
    assert isinstance(event, Notification)
    return " ".join(["notification" if event.known else "unknown", *event.words])


@pytest.mark.parametrize("block", BAD, ids=name)
def test_a_bad_line_is_kept_as_bytes_with_its_reason(block: Block) -> None:
    line = raw(only(block, "bytes"))
    up = only(block, "from") == "board"
    splitter = codec.Splitter("up") if up else codec.Splitter("down", by_hand=True)
    assert splitter.feed(line + b"\n") == [(BYTES_UP if up else BYTES_DOWN, [line])]
    assert codec.explain_bad(line) == only(block, "why")
    assert only(block, "why") in codec.REASONS
    if only(block, "why") == "echo":
        codec.parse(line)  # a good line, only from the wrong side
    else:
        with pytest.raises(ValueError, match=only(block, "why")):
            codec.parse(line)


@pytest.mark.parametrize("block", [block for block in BAD if only(block, "why") != "echo"], ids=name)
def test_a_bad_line_is_outside_the_grammar_unless_only_its_check_or_length_is_wrong(block: Block) -> None:
    assert grammatical(raw(only(block, "bytes"))) is has(block, "grammar")


def test_every_reason_has_a_vector() -> None:
    assert {only(block, "why") for block in BAD} == set(codec.REASONS)


@pytest.mark.parametrize("block", blocks("streams.txt"), ids=lambda block: only(block, "bytes")[:40])
@pytest.mark.parametrize("size", [1, 2, 3, 7, 1000])
def test_a_stream_falls_apart_as_the_vector_says_however_it_is_cut(block: Block, size: int) -> None:
    up = only(block, "from") == "board"
    splitter = codec.Splitter("up") if up else codec.Splitter("down", by_hand=True)
    stream = raw(only(block, "bytes"))
    got: list[tuple[str, bytes]] = []
    for start in range(0, len(stream), size):
        for kind, bodies in splitter.feed(stream[start : start + size]):
            got += [(kind, body) for body in bodies]
    line, odd = (LINE_UP, BYTES_UP) if up else (LINE_DOWN, BYTES_DOWN)
    wanted = []
    for key, value in block:
        if key == "good":
            wanted.append((line, raw(value)))
        elif key == "bad":
            why, _, kept = value.partition(" ")
            assert codec.explain_bad(raw(kept)) == why
            wanted.append((odd, raw(kept)))
    assert got == wanted
    assert splitter.rest() == raw(only(block, "waits"))


@pytest.mark.parametrize("block", blocks("check.txt"), ids=lambda block: only(block, "check"))
def test_checks(block: Block) -> None:
    covered = raw(only(block, "bytes"))
    assert f"{codec.check_of(covered):04X}" == only(block, "check")
    assert f"{IBM_3740.checksum(covered):04X}" == only(block, "check")


@pytest.mark.parametrize("block", blocks("text.txt"), ids=name)
def test_text_is_one_word_and_reads_back(block: Block) -> None:
    word = only(block, "word")
    if has(block, "reads"):
        assert quote.unquote(word) == raw(only(block, "reads")).decode()
        return
    text = raw(only(block, "text")).decode()
    assert quote.quote(text) == word
    assert quote.unquote(word) == text
    grammar()("text").parse_all(word)


@pytest.mark.parametrize("block", blocks("refusals.txt"), ids=name)
def test_what_a_board_refuses_is_grammatical_all_the_same(block: Block) -> None:
    for key, words in block:
        if key in ("ask", "first"):
            line = codec.request(7, words.split(" "))
            assert grammatical(line)


def test_the_vectors_use_every_word_of_the_protocol() -> None:
    document = (protocols_dir() / "line-protocol.md").read_text("utf-8")
    said: dict[str, set[str]] = {"request": set(), "answer": set(), "notification": set(), "by-hand": set()}
    for block in GOOD:
        said[only(block, "kind")].add(only(block, "words").split(" ")[0])
    requests = {
        "hello",
        "item",
        "read",
        "set",
        "dark",
        "light",
        "deadman",
        "ping",
        "alive",
        "raw",
        "ident",
        "name",
        "wink",
    }
    words = {"is", "edge", "raw", "skip", "ghost", "alive", "boot", "lost", "dark"}
    assert requests <= said["request"]
    assert requests | {"no"} <= said["answer"]
    assert words <= said["notification"]
    for word in requests:
        assert f" {word}" in document
    codes: set[Any] = {only(block, "code") for block in blocks("refusals.txt")}
    assert codes == {"01", "02", "03", "04", "05", "06", "09"}  # 07 and 08 are up to the firmware
