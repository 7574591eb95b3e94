"""Section 10: dark and the dead-man, the rules that keep panels and people safe."""

from __future__ import annotations

import time

from benchcon.conform.board import NotRun, RuleBroken, Subject, shown
from benchcon.wire.codec import request

DARK_MS = 15.0
"""Ten, and 5 ms that a USB bridge may put between two lines which were written together."""
DARK_TRIES = 10
"""How often that is tried if this computer is too busy to look soon enough."""


def light_all(board: Subject) -> None:
    """Light some outputs; a few are enough for a rule, and draw less current than all."""
    for channel in board.outputs[:4]:
        board.done("set", f"{channel.id}={channel.on}")


def insist_off(board: Subject, when: str) -> None:
    """Read all outputs, and raise `RuleBroken` if one is not off."""
    values = board.values()
    for channel in board.outputs:
        if (value := values.get(channel.id, channel.off)) != channel.off:
            raise RuleBroken(f"{when} '{channel.id}' still reads {value}")


def dark(board: Subject) -> None:
    """**dark**: all outputs off, latched; `set` is refused with 06 until `light`, which restores nothing."""
    lamp = board.lamp()
    light_all(board)
    before, _ = board.ping()
    stamp = board.stamp("dark")
    if (stamp - before) % 2**32 > 2**31:
        raise RuleBroken("the clock in the answer to 'dark' is before the ping that went ahead of it")
    board.line.pump(0.2)  # how soon they are off is tested by the next rule
    insist_off(board, "in dark")
    board.refused("06", "set", f"{lamp.id}={lamp.on}")
    if not board.flags(fed=True) & 1:
        raise RuleBroken("flag 01 of 'alive' does not say that the board is dark")
    board.done("light")
    insist_off(board, "after 'light'")
    board.done("set", f"{lamp.id}={lamp.on}")
    if board.value(lamp.id) != lamp.on:
        raise RuleBroken("after 'light' an output cannot be set")


def dark_at_once(board: Subject) -> None:
    """**dark** (within 10 ms): by the board's own clock, from the request to all outputs off."""
    board.lamp()
    late_ms: list[float] = []
    for _ in range(DARK_TRIES):
        light_all(board)
        # In one write, so that only the line's own time lies between them, however busy this computer is.
        ping_tag, dark_tag, read_tag = board.line.next_tag(), board.line.next_tag(), board.line.next_tag()
        ping = request(ping_tag, ("ping", "0" * 8, "0" * 8)) + b"\n"
        ask = request(dark_tag, ("dark",)) + b"\n"
        look = request(read_tag, ("read", "all")) + b"\n"
        room = board.buffer - len(ask)
        pings, looks = len(ping) <= room, len(ping + look) <= room
        board.line.send((ping if pings else b"") + ask + (look if looks else b""))
        odd = len(board.line.odd)
        pong = board.line.answer(ping_tag) if pings else None
        answer = board.line.answer(dark_tag)
        if answer is None:
            board.malformed(b"<", odd)
            raise RuleBroken("no answer to 'dark' within a second")
        if answer.words[0] != "dark":
            raise RuleBroken(f"'dark' was answered '{shown(answer.raw)}'")
        done = int(answer.words[1], 16)
        asked = int(pong.words[1], 16) if pong is not None else done
        worst_us = off_us = (done - asked) % 2**32
        # If they still read lit afterwards, the answer came before they were off.
        reading = board.line.answer(read_tag) if looks else None
        if reading is None or reading.words[0] != "read":
            reading = board.done("read", "all")
        while reading.words[0] == "read":
            at = int(reading.words[2], 16)
            lit = [
                word
                for word in reading.words[4:]
                for channel in board.outputs
                if word == f"{channel.id}={channel.on}" and channel.on != channel.off
            ]
            off_us = (at - asked) % 2**32
            if not lit:
                break
            worst_us = max(worst_us, off_us)
            if worst_us > 1_000_000:
                break
            reading = board.done("read", "all")
        board.line.answers.clear()
        board.done("light")
        if off_us / 1000 <= DARK_MS:
            return
        if worst_us / 1000 > DARK_MS:
            late_ms.append(worst_us / 1000)
            if len(late_ms) == 3:
                break
        # Otherwise they went off at some time between two looks that were too far apart.
    if not late_ms:
        raise NotRun("this computer was too busy to see when the outputs were off; try it again")
    raise RuleBroken(f"outputs were off {min(late_ms):.0f} ms after 'dark'; within 10 ms was expected")


def dark_full_window(board: Subject) -> None:
    """**dark** (in a full window): works with only 16 bytes left in the buffer, and after half a line."""
    light_all(board)
    burst, tags, room = b"", [], board.buffer - 16
    while True:
        tag = board.line.next_tag()
        line = request(tag, ("hello",)) + b"\n"
        if len(line) > room:
            break
        burst, room = burst + line, room - len(line)
        tags.append(tag)
    last = board.line.next_tag()
    board.line.send(burst + b"\n" + request(last, ("dark",)) + b"\n")
    if board.line.answer(last, 2.0) is None:
        raise RuleBroken("dark, sent into a full window, was not answered")
    board.line.answers.clear()
    insist_off(board, "after dark in a full window")
    board.done("light")
    light_all(board)
    last = board.line.next_tag()
    board.line.send(b">07 set l1=1F" + b"\n" + request(last, ("dark",)) + b"\n")
    if board.line.answer(last, 2.0) is None:
        raise RuleBroken("dark, sent after half a line and a line end, was not answered")


def deadman(board: Subject) -> None:
    """**deadman**: only valid machine requests feed it; without them, dark after its time, latched and reported."""
    lamp = board.lamp()
    light_all(board)
    board.done("deadman", "012C")
    for _ in range(3):
        since = len(board.line.notifications)
        fed, longest_us = board.ping()[0], 0
        end = time.monotonic() + 0.9
        while time.monotonic() < end:
            board.line.pump(0.05)
            before, fed = fed, board.ping()[0]
            longest_us = max(longest_us, (fed - before) % 2**32)
        if not any(notification.words[:2] == ("dark", "deadman") for notification in board.line.notifications[since:]):
            break
        # By the board's own clock, so that a busy computer does not count against the board.
        if longest_us < 250_000:
            raise RuleBroken(
                f"the board went dark by its dead-man of 300 ms although it was fed every {longest_us / 1000:.0f} ms"
            )
        board.line.ask("light")
        light_all(board)
    else:
        raise NotRun("this computer is too busy to feed a dead-man of 300 ms in time")
    if not board.flags(fed=True) & 2:
        raise RuleBroken("flag 02 of 'alive' does not say that the dead-man is armed")
    board.line.ask("light")
    light_all(board)
    since = len(board.line.notifications)
    fed, _ = board.ping()
    # A bad check, a line by hand and an empty line must not feed it.
    end = time.monotonic() + 2.0
    while time.monotonic() < end:
        board.line.send(b">07 hello #0000\n@@ hello\n\n")
        notification = board.line.await_notification("dark", 0.05, since)
        if notification is not None:
            break
    else:
        raise RuleBroken(
            "the dead-man of 300 ms did nothing in 2 s; bad lines, lines by hand and empty lines must not feed it"
        )
    if notification.words != ("dark", "deadman"):
        raise RuleBroken(f"went dark and said '{' '.join(notification.words)}', not 'dark deadman'")
    took_ms = (notification.clock_us - fed) % 2**32 / 1000
    if not 290 <= took_ms <= 400:
        raise RuleBroken(f"the dead-man of 300 ms came after {took_ms:.0f} ms")
    board.line.answers.clear()
    board.done("deadman", "0000")
    insist_off(board, "after the dead-man")
    board.refused("06", "set", f"{lamp.id}={lamp.on}")


def deadman_off(board: Subject) -> None:
    """**deadman** (off): `deadman 0000` switches it off for good."""
    board.done("deadman", "0000")
    light_all(board)
    since = len(board.line.notifications)
    board.line.pump(0.8)
    if board.line.await_notification("dark", 0.0, since) is not None:
        raise RuleBroken("the board went dark by a dead-man that was switched off")


def wink(board: Subject) -> None:
    """**wink**: answered at once; afterwards the outputs are as before."""
    board.lamp()
    light_all(board)
    before = board.values()
    board.done("wink")
    for _ in range(4):
        board.line.pump(0.83)
        board.ping()  # the dead-man is set
    after = board.values()
    changed = [channel.id for channel in board.outputs if before.get(channel.id) != after.get(channel.id)]
    if changed:
        raise RuleBroken(f"after winking '{changed[0]}' is not as before")
