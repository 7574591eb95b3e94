"""Sections 2, 4, 6 and 8: requests, answers, refusals and values."""

from __future__ import annotations

import re
import time

from benchcon.conform.board import DEADMAN, LEFT_OUT, NotRun, RuleBroken, Subject, shown
from benchcon.wire.codec import request, seal


def needed(board: Subject) -> None:
    """**needed**: no board leaves out `read all` or `ping`, or, with outputs, `set`, `dark`, `light`, `deadman`."""
    asked: list[tuple[str, ...]] = [("read", "all"), ("ping", "0" * 8, "0" * 8)]
    if board.outputs:
        some = board.lamp()
        asked += [("light",), ("set", f"{some.id}={some.off}"), ("deadman", DEADMAN), ("dark",), ("light",)]
    for words in asked:
        answer = board.ask(*words)
        if answer.words[0] == "no" and answer.words[1:2] in [(code,) for code in LEFT_OUT]:
            raise RuleBroken(
                f"'{' '.join(words)}' was refused, '{shown(answer.raw)}': a board like this one must know it"
            )


def tags(board: Subject) -> None:
    """**tags**: one answer to each request, with its tag and its word."""
    asked = [(0x01, ("hello",)), (0xFF, ("item", "00")), (0x80, ("ping", "0" * 8, "0" * 8)), (0x0A, ("zzz",))]
    for tag, words in asked:
        answer = board.ask(*words, tag=tag)
        if answer.words[0] not in (words[0], "no"):
            raise RuleBroken(f"the answer to '{words[0]}' does not repeat the request's word: '{shown(answer.raw)}'")
    board.line.pump(0.1)
    if board.line.answers:
        raise RuleBroken(f"an answer came without a request: '{shown(board.line.answers[0].raw)}'")


def tag_zero(board: Subject) -> None:
    """**tags** (00): a machine request with tag 00 is a bad line: counted, never answered."""
    before = int(board.alive().words[3], 16)
    board.line.answers.clear()
    board.line.send(seal(b">00 hello") + b"\n")
    board.line.pump(0.15)
    if board.line.answers:
        raise RuleBroken(
            f"a request with tag 00 was answered '{shown(board.line.answers[0].raw)}'; that tag is for lines by hand"
        )
    after = int(board.alive().words[3], 16)
    if (after - before) % 0x10000 != 1:
        raise RuleBroken(f"a request with tag 00 is one bad line; the count in 'alive' went from {before} to {after}")


def order(board: Subject) -> None:
    """**tags** (order): requests sent together are answered in their order, whatever they ask."""
    kinds = [("item", "00"), ("hello",), ("read", "all"), ("ping", "0" * 8, "0" * 8), ("zzz",), ("item", "00")]
    sent: list[int] = []
    burst, room = b"", board.buffer - 16
    for words in kinds * 2:
        tag = board.line.next_tag()
        line = request(tag, words) + b"\n"
        if len(burst) + len(line) <= room:
            sent.append(tag)
            burst += line
    if len(sent) < 2:
        raise NotRun(f"a buffer of {board.buffer} bytes takes one request at a time")
    board.line.answers.clear()
    odd = len(board.line.odd)
    board.line.send(burst)
    end = time.monotonic() + 1.5
    while len(board.line.answers) < len(sent) and time.monotonic() < end:
        board.line.pump(0.02)
    got = [answer.tag for answer in board.line.answers if answer.tag in sent]
    if len(set(got)) < len(sent):
        board.malformed(b"<", odd)
        raise RuleBroken(f"of {len(sent)} requests sent together {len(sent) - len(set(got))} were not answered")
    if got != sent:
        came = " ".join(f"{tag:02X}" for tag in got)
        raise RuleBroken(
            f"the answers came in the order {came}; the requests were {' '.join(f'{tag:02X}' for tag in sent)}"
        )


def idempotent(board: Subject) -> None:
    """**idempotent**: the same request twice, with the same tag, is answered twice and does what once does."""
    asked: list[tuple[str, ...]] = [("read", "all"), ("alive", "03E8")]
    lamp = board.lamp() if board.outputs else None
    if lamp is not None:
        asked += [("set", f"{lamp.id}={lamp.on}"), ("deadman", DEADMAN), ("dark",), ("light",)]
    for words in asked:
        tag = board.line.next_tag()
        first, second = board.ask(*words, tag=tag), board.ask(*words, tag=tag)
        if board.left_out(first, *words) and board.left_out(second, *words):
            continue
        if (first.words[0], second.words[0]) != (words[0], words[0]):
            raise RuleBroken(
                f"'{words[0]}' sent twice was answered '{shown(first.raw)}' and then '{shown(second.raw)}'; "
                "both should be done"
            )
    if lamp is not None:
        for _ in range(2):
            board.done("set", f"{lamp.id}={lamp.on}")
        if board.value(lamp.id) != lamp.on:
            raise RuleBroken(f"'{lamp.id}' set twice to {lamp.on} does not stay there")


def read(board: Subject) -> None:
    """**read**: the pages report every channel once, in its width, and go on where they say."""
    values = board.values()
    for channel in board.channels:
        value = values.pop(channel.id, None)
        if value is None:
            raise RuleBroken(f"'read all' leaves out '{channel.id}'")
        if len(value) != channel.width or not re.fullmatch("[0-9A-F]+", value):
            raise RuleBroken(f"'{channel.id}={value}': a {channel.kind} has {channel.width} hex digits")
        if channel.kind == "contact" and value not in "01":
            raise RuleBroken(f"'{channel.id}={value}': a contact is 0 or 1")
        if channel.kind == "pot" and int(value, 16) > int(channel.detail.get("top", "FFFF"), 16):
            raise RuleBroken(f"'{channel.id}={value}' is above the channel's top")
    for known in board.others:
        values.pop(known, None)
    if values:
        raise RuleBroken(f"'read all' reports '{next(iter(values))}', which no item describes")
    if board.channels:
        some = board.channels[-1]
        answer = board.ask("read", some.id)
        if not board.left_out(answer, "read", some.id) and set(board.values(some.id)) != {some.id}:
            raise RuleBroken(f"'read {some.id}' should give that channel alone")


def set_outputs(board: Subject) -> None:
    """**set**: outputs take the values set, all or none; the clock in the answer is between two pings."""
    lamp = board.lamp()
    for channel in board.outputs:
        on = "1F4" if channel.kind == "lamp" else channel.on
        _, before = board.ping()
        stamp = board.stamp("set", f"{channel.id}={on}")
        after, _ = board.ping()
        if (stamp - before) % 2**32 > (after - before) % 2**32:
            raise RuleBroken(f"the clock in the answer to 'set {channel.id}' is not between the pings before and after")
        value = board.value(channel.id)
        if value != on and not (channel.kind == "lamp" and channel.detail.get("dim") != "1"):
            raise RuleBroken(f"'{channel.id}' was set to {on} and reads {value}")
        board.done("set", f"{channel.id}={channel.off}")
    answer = board.ask("set", f"{lamp.id}={lamp.on}", "nosuch=0")
    if answer.words[0] != "no":
        raise RuleBroken("a set with a channel that does not exist was not refused")
    if board.values(lamp.id) != {lamp.id: lamp.off}:
        raise RuleBroken("a set with one part that is refused must do nothing; its other part was done")
    if len(board.outputs) > 1:
        two = board.outputs[:2]
        board.done("set", *(f"{channel.id}={channel.on}" for channel in two))
        if board.values(*(channel.id for channel in two)) != {channel.id: channel.on for channel in two}:
            raise RuleBroken("a set of two outputs did not set both")


def refusals(board: Subject) -> None:
    """**refusals**: each wrong request is refused with its own code."""
    board.refused("02", "item")
    board.refused("02", "item", "0")
    board.refused("02", "hello", "x")
    board.refused("02", "ping", "0")
    board.refused("03", "read", "nosuch")
    if not board.outputs:
        return
    lamp = board.lamp()
    board.refused("02", "set")
    board.refused("02", "set", lamp.id)
    board.refused("02", "deadman", "7d0")
    board.refused("03", "set", "nosuch=0")
    if board.inputs:
        some = board.inputs[0]
        board.refused("04", "set", f"{some.id}={some.off}")
    if lamp.kind == "lamp":
        board.refused("05", "set", f"{lamp.id}=3E9")
    board.refused("02", "set", f"{lamp.id}={lamp.on}0")


def raw(board: Subject) -> None:
    """**raw**: can be switched on and off if the description says so, and is otherwise refused."""
    able = board.with_raw()
    for channel in able[:3]:
        for word in (f"{channel.id}=1", f"{channel.id}=0"):
            if board.done("raw", word).words != ("raw", word):
                raise RuleBroken(f"'raw {word}' should be answered in the same words")
    if board.outputs:
        board.refused("04", "raw", f"{board.outputs[0].id}=1")
