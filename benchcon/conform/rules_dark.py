"""Section 10: dark and the dead-man. These are the rules that keep panels and people safe."""

from __future__ import annotations

import time

from benchcon.conform.board import Broken, Subject
from benchcon.wire.codec import request


def _light_all(board: Subject) -> None:
    # A few are enough to show the rule, and kinder to the supply than all.
    for channel in board.outputs[:4]:
        board.done("set", f"{channel.id}={channel.on}")


def _insist_off(board: Subject, when: str) -> None:
    for channel_id, value in board.values().items():
        channel = next((channel for channel in board.outputs if channel.id == channel_id), None)
        if channel is not None and value != channel.off:
            raise Broken(f"{when} '{channel_id}' still reads {value}")


def dark(board: Subject) -> None:
    """**dark**: all outputs off, latched; `set` is refused with 06 until `light`, which restores nothing."""
    lamp = board.lamp()
    _light_all(board)
    before = int(board.done("ping", "0" * 8, "0" * 8).words[1], 16)
    stamp = int(board.done("dark").words[1], 16)
    if (stamp - before) % 2**32 > 2**31:
        raise Broken("the clock in the answer to 'dark' is before the ping that went ahead of it")
    _insist_off(board, "in dark")
    board.refused("06", "set", f"{lamp.id}={lamp.on}")
    if not int(board.alive().words[7], 16) & 1:
        raise Broken("flag 01 of 'alive' does not tell that the board is dark")
    board.done("light")
    _insist_off(board, "after 'light'")
    board.done("set", f"{lamp.id}={lamp.on}")
    if board.values(lamp.id) != {lamp.id: lamp.on}:
        raise Broken("after 'light' an output cannot be set")


def dark_full_window(board: Subject) -> None:
    """**dark** (in a full window): the buffer full but for 16 bytes, or half a line lost: it is done all the same."""
    _light_all(board)
    burst, tags, room = b"", [], board.buffer - 16
    while room >= 14:
        tag = board.line.next_tag()
        line = request(tag, ("hello",)) + b"\n"
        burst, room = burst + line, room - len(line)
        tags.append(tag)
    last = board.line.next_tag()
    board.line.send(burst + b"\n" + request(last, ("dark",)) + b"\n")
    if board.line.answer(last, 2.0) is None:
        raise Broken("dark, sent into a full window, was not answered")
    board.line.answers.clear()
    _insist_off(board, "after dark in a full window")
    board.done("light")
    _light_all(board)
    last = board.line.next_tag()
    board.line.send(b">07 set l1=1F" + b"\n" + request(last, ("dark",)) + b"\n")
    if board.line.answer(last, 2.0) is None:
        raise Broken("dark, sent after half a line and a line end, was not answered")


def deadman(board: Subject) -> None:
    """**deadman**: fed by valid machine requests only; without them dark after its time, latched, and told."""
    lamp = board.lamp()
    _light_all(board)
    board.done("deadman", "012C")
    since = len(board.line.news)
    fed = 0
    end = time.monotonic() + 0.9
    while time.monotonic() < end:
        fed = int(board.done("ping", "0" * 8, "0" * 8).words[1], 16)
        board.line.pump(0.05)
    if any(news.words[:2] == ("dark", "deadman") for news in board.line.news[since:]):
        raise Broken("the board went dark by its dead-man although it was fed each 50 ms")
    if not int(board.alive().words[7], 16) & 2 and board.line.await_news("dark", 0.0, since) is None:
        raise Broken("flag 02 of 'alive' does not tell that the dead-man is armed")
    board.line.ask("light")
    _light_all(board)
    since = len(board.line.news)
    fed = int(board.done("ping", "0" * 8, "0" * 8).words[1], 16)
    # What must not feed it: a bad check, a line by hand, an empty line.
    end = time.monotonic() + 2.0
    while time.monotonic() < end:
        board.line.send(b">07 hello #0000\n@@ hello\n\n")
        news = board.line.await_news("dark", 0.05, since)
        if news is not None:
            break
    else:
        raise Broken(
            "the dead-man of 300 ms did nothing in 2 s; bad lines, lines by hand and empty lines must not feed it"
        )
    if news.words != ("dark", "deadman"):
        raise Broken(f"went dark and said '{' '.join(news.words)}', not 'dark deadman'")
    took_ms = (news.clock_us - fed) % 2**32 / 1000
    if not 290 <= took_ms <= 400:
        raise Broken(f"the dead-man of 300 ms came after {took_ms:.0f} ms")
    board.line.answers.clear()
    board.done("deadman", "0000")
    _insist_off(board, "after the dead-man")
    board.refused("06", "set", f"{lamp.id}={lamp.on}")


def deadman_off(board: Subject) -> None:
    """**deadman** (off): `deadman 0000` switches it off for good."""
    board.done("deadman", "0000")
    _light_all(board)
    since = len(board.line.news)
    board.line.pump(0.8)
    if board.line.await_news("dark", 0.0, since) is not None:
        raise Broken("the board went dark by a dead-man that was switched off")


def wink(board: Subject) -> None:
    """**wink**: answered at once; afterwards the outputs stand as before."""
    board.lamp()
    _light_all(board)
    before = board.values()
    board.done("wink")
    board.line.pump(3.3)
    after = board.values()
    changed = [channel.id for channel in board.outputs if before.get(channel.id) != after.get(channel.id)]
    if changed:
        raise Broken(f"after winking '{changed[0]}' is not as before")
