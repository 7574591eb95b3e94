"""Sections 2, 4, 6 and 8: requests, answers, refusals and values."""

from __future__ import annotations

import re

from benchcon.conform.board import Broken, NotPlayed, Subject
from benchcon.wire.codec import request


def tags(board: Subject) -> None:
    """**tags**: one answer a request, in the order of the requests, with its tag and its word."""
    asked = [(0x01, ("hello",)), (0xFF, ("item", "00")), (0x80, ("ping", "0" * 8, "0" * 8)), (0x0A, ("zzz",))]
    for tag, words in asked:
        answer = board.ask(*words, tag=tag)
        if answer.words[0] not in (words[0], "no"):
            raise Broken(f"the answer to '{words[0]}' does not repeat the request's word")
    board.line.answers.clear()
    room, burst = board.buffer - 16, b""
    sent: list[int] = []
    while len(sent) < 12 and len(burst) + 14 <= room:
        tag = board.line.next_tag()
        sent.append(tag)
        burst += request(tag, ("hello",)) + b"\n"
    board.line.send(burst)
    for tag in sent:
        if board.line.answer(tag) is None:
            raise Broken(f"of {len(sent)} requests sent together the one with tag {tag:02X} was not answered")
        if any(earlier.tag in sent[: sent.index(tag)] for earlier in board.line.answers):
            raise Broken("answers do not come in the order of the requests")
    board.line.pump(0.1)
    if board.line.answers:
        raise Broken(f"an answer came that nobody had asked for, tag {board.line.answers[0].tag:02X}")


def idempotent(board: Subject) -> None:
    """**idempotent**: the same request twice, with the same tag, is answered twice and does what once does."""
    lamp = board.lamp()
    for words in (("set", f"{lamp.id}={lamp.on}"), ("light",), ("deadman", "0000"), ("alive", "03E8"), ("read", "all")):
        tag = board.line.next_tag()
        line = request(tag, words) + b"\n"
        board.line.send(line)
        first = board.line.answer(tag)
        board.line.send(line)
        second = board.line.answer(tag)
        if first is None or second is None:
            raise Broken(f"'{words[0]}' repeated with the same tag was not answered again")
        if (first.words[0], second.words[0]) != (words[0], words[0]) and "08" not in first.words[1:2]:
            raise Broken(f"'{words[0]}' done twice was answered '{first.words[0]}' and then '{second.words[0]}'")
    board.done("set", f"{lamp.id}={lamp.on}")
    if board.values(lamp.id) != {lamp.id: lamp.on}:
        raise Broken(f"'{lamp.id}' set twice to {lamp.on} does not stand there")


def read(board: Subject) -> None:
    """**read**: the pages tell every channel once, in its width, and go on where they say."""
    values = board.values()
    for channel in board.channels:
        value = values.pop(channel.id, None)
        if value is None:
            raise Broken(f"'read all' leaves out '{channel.id}'")
        if len(value) != channel.width or not re.fullmatch("[0-9A-F]+", value):
            raise Broken(f"'{channel.id}={value}': a {channel.kind} has {channel.width} hex digits")
        if channel.kind == "contact" and value not in "01":
            raise Broken(f"'{channel.id}={value}': a contact is 0 or 1")
        if channel.kind == "pot" and int(value, 16) > int(channel.detail.get("top", "FFFF"), 16):
            raise Broken(f"'{channel.id}={value}' is above the channel's top")
    if values:
        raise Broken(f"'read all' tells '{next(iter(values))}', which no item describes")
    if board.channels:
        some = board.channels[-1]
        answer = board.line.ask("read", some.id)
        if answer is not None and answer.words[:2] != ("no", "08") and set(board.values(some.id)) != {some.id}:
            raise Broken(f"'read {some.id}' should tell that channel alone")


def set_outputs(board: Subject) -> None:
    """**set**: outputs take what they are told, all or none; the clock of the answer lies between two pings."""
    lamp = board.lamp()
    for channel in board.outputs:
        on = "1F4" if channel.kind == "lamp" else channel.on
        before = int(board.done("ping", "0" * 8, "0" * 8).words[2], 16)
        stamp = int(board.done("set", f"{channel.id}={on}").words[1], 16)
        after = int(board.done("ping", "0" * 8, "0" * 8).words[1], 16)
        if (stamp - before) % 2**32 > (after - before) % 2**32:
            raise Broken(f"the clock in the answer to 'set {channel.id}' is not between the pings before and after")
        value = board.values(channel.id)[channel.id]
        if value != on and not (channel.kind == "lamp" and channel.detail.get("dim") != "1"):
            raise Broken(f"'{channel.id}' was set to {on} and reads {value}")
        board.done("set", f"{channel.id}={channel.off}")
    answer = board.ask("set", f"{lamp.id}={lamp.on}", "nosuch=0")
    if answer.words[0] != "no":
        raise Broken("a set with a channel that does not exist was not refused")
    if board.values(lamp.id) != {lamp.id: lamp.off}:
        raise Broken("a set of which one part is refused must do nothing; the other part was done")
    if len(board.outputs) > 1:
        two = board.outputs[:2]
        board.done("set", *(f"{channel.id}={channel.on}" for channel in two))
        if board.values(*(channel.id for channel in two)) != {channel.id: channel.on for channel in two}:
            raise Broken("a set of two outputs did not set both")


def refusals(board: Subject) -> None:
    """**refusals**: each wrong request is refused with its own code."""
    lamp = board.lamp()
    board.refused("02", "item")
    board.refused("02", "item", "0")
    board.refused("02", "set")
    board.refused("02", "set", lamp.id)
    board.refused("02", "hello", "x")
    board.refused("02", "ping", "0")
    board.refused("02", "deadman", "7d0")
    board.refused("03", "set", "nosuch=0")
    board.refused("03", "read", "nosuch") if board.line.ask("read", lamp.id).words[0] != "no" else None  # type: ignore[union-attr]
    if board.inputs:
        some = board.inputs[0]
        board.refused("04", "set", f"{some.id}={some.off}")
    if lamp.kind == "lamp":
        board.refused("05", "set", f"{lamp.id}=3E9")
    board.refused("02", "set", f"{lamp.id}={lamp.on}0")


def raw(board: Subject) -> None:
    """**raw**: can be switched on and off where the description says so, and is refused elsewhere."""
    able = [channel for channel in board.inputs if channel.detail.get("raw") in ("1", "2") or channel.kind == "pot"]
    if not able:
        raise NotPlayed("no channel of this board can do raw")
    for channel in able[:3]:
        for word in (f"{channel.id}=1", f"{channel.id}=0"):
            if board.done("raw", word).words != ("raw", word):
                raise Broken(f"'raw {word}' should be answered in the same words")
    if board.outputs:
        board.refused("04", "raw", f"{board.outputs[0].id}=1")
