"""Sections 2, 4, 7 and 9: clocks, running numbers, heartbeats, the window and the rate."""

from __future__ import annotations

import itertools
import time

from benchcon.conform.board import NotRun, RuleBroken, Subject
from benchcon.wire.codec import request

CLOCK_PPM = 10_000
"""A ceramic resonator is within 5000 ppm (data sheets, from memory), and the measurement may be off by as much."""


def _ping(board: Subject) -> tuple[float, int, int, float]:
    tag = board.line.next_tag()
    sent = board.line.send(request(tag, ("ping", "01234567", "89ABCDEF")) + b"\n")
    answer = board.line.answer(tag)
    if answer is None:
        raise RuleBroken("no answer to 'ping' within a second")
    if len(answer.words) != 3 or len(answer.words[1]) != 8 or len(answer.words[2]) != 8:
        raise RuleBroken("an answer to 'ping' must have two stamps of eight hex digits, and be as long as the request")
    return sent, int(answer.words[1], 16), int(answer.words[2], 16), answer.at


def ping_stamps(board: Subject) -> None:
    """**ping-stamps**: request and answer are equally long; the stamps ascend, and lie within the host's wait."""
    last = None
    for _ in range(20):
        sent, received, out, came = _ping(board)
        if (out - received) % 2**32 > 2**31:
            raise RuleBroken(
                "the answer's first byte was sent before the request was received: the stamps are the wrong way round"
            )
        if last is not None and (received - last) % 2**32 > 2**31:
            raise RuleBroken("the clock went backwards between two pings")
        if (out - received) % 2**32 > (came - sent) * 1e6 * 1.02 + 2000:
            raise RuleBroken("by its stamps a ping took longer than the host waited for it: they are not microseconds")
        last = out


def answer_time(board: Subject) -> None:
    """**answer-time**: by the board's own stamps a ping is answered within 50 ms."""
    worst = 0
    for _ in range(50):
        _, received, out, _ = _ping(board)
        worst = max(worst, (out - received) % 2**32)
    if worst > 50_000:
        raise RuleBroken(f"a ping took {worst / 1000:.1f} ms, more than 50 ms")


def clock(board: Subject) -> None:
    """**clock**: microseconds, within 10 000 ppm of the host's over two seconds."""
    sent0, received0, _, came0 = min((_ping(board) for _ in range(8)), key=lambda ping: ping[3] - ping[0])
    board.line.pump(2.0)
    sent1, received1, _, came1 = min((_ping(board) for _ in range(8)), key=lambda ping: ping[3] - ping[0])
    board_s = (received1 - received0) % 2**32 / 1e6
    # Each stamp was taken at some moment between sending and answer, so the host's time is a range.
    least, most = sent1 - came0, came1 - sent0
    if not least * (1 - CLOCK_PPM / 1e6) <= board_s <= most * (1 + CLOCK_PPM / 1e6):
        raise RuleBroken(
            f"{least:.3f} to {most:.3f} s by the host were {board_s:.3f} s by the board: its clock is not microseconds"
        )


def wrap(board: Subject, patience_s: float) -> None:
    """**clock** (wrap): modulo 2^32, and the wraps are counted in `alive`. Needs a board that is near its wrap."""
    _, received, _, _ = _ping(board)
    left_s = (2**32 - received) / 1e6
    if left_s > patience_s:
        raise NotRun(f"the clock wraps in {left_s / 60:.0f} minutes; to wait for it, --patience {left_s / 60 + 1:.0f}")
    before = board.alive()
    board.line.pump(max(0.0, left_s - 0.5))
    deadline = time.monotonic() + 10
    while time.monotonic() < deadline:
        after = board.alive()
        if after.clock_us < before.clock_us:
            if (int(after.words[2], 16) - int(before.words[2], 16)) % 0x10000 != 1:
                raise RuleBroken("the clock wrapped, and the wraps in 'alive' did not go up by one")
            if after.words[1] != before.words[1]:
                raise RuleBroken("the clock began again with another boot number: that was a reset, not a wrap")
            return
    raise RuleBroken("the clock should have wrapped by now")


def heartbeat_spacing_ms(board: Subject) -> float:
    """Wait for two heartbeats, after the one under way, and return the time between them by the board's clock."""
    board.alive()
    first, second = board.alive(), board.alive()
    return (second.clock_us - first.clock_us) % 2**32 / 1000


def expect_a_heartbeat_each_second(board: Subject, when: str = "") -> None:
    """Raise `RuleBroken` if heartbeats do not come every second, give or take a tenth; `when`: since when."""
    spacing_ms = heartbeat_spacing_ms(board)
    if not 900 <= spacing_ms <= 1100:
        raise RuleBroken(f"{when}heartbeats are {spacing_ms:.0f} ms apart; 1000 were expected")


def alive_time(board: Subject) -> None:
    """**alive-time**: every second, or as `alive` sets it: 0064 to 2710, others are refused with 05."""
    board.line.ask("alive", "03E8")
    expect_a_heartbeat_each_second(board)
    if board.left_out(board.ask("alive", "00C8"), "alive", "00C8"):
        return  # a heartbeat every second is all that is required
    try:
        spacing_ms = heartbeat_spacing_ms(board)
        if not 160 <= spacing_ms <= 240:
            raise RuleBroken(f"after 'alive 00C8' heartbeats are {spacing_ms:.0f} ms apart; 200 were expected")
        board.refused("05", "alive", "0063")
        board.refused("05", "alive", "2711")
    finally:
        board.line.ask("alive", "03E8")


def numbers(board: Subject) -> None:
    """**numbers**: notifications are numbered without gaps, and their clock does not step back."""
    since, odd = len(board.line.notifications), len(board.line.odd)
    end = time.monotonic() + 3.6  # three heartbeats of a board that has only one period
    while len(board.line.notifications) - since < 8 and time.monotonic() < end:
        board.line.pump(0.1)
    came = board.line.notifications[since:]
    if len(came) < 2:
        board.malformed(b"!", odd)
        raise RuleBroken("fewer than two notifications in three and a half seconds; a heartbeat is due every second")
    for earlier, later in itertools.pairwise(came):
        if later.number != (earlier.number + 1) % 0x10000:
            raise RuleBroken(f"notification {earlier.number:04X} was followed by {later.number:04X}")
        if (later.clock_us - earlier.clock_us) % 2**32 > 2**31 and later.words[0] == "alive":
            raise RuleBroken("the clock in the notifications stepped back")


def repair(board: Subject) -> None:
    """**repair**: `read` gives the running number of the last notification before it."""
    for _ in range(5):
        board.alive()
        before = board.line.notifications[-1].number
        answer = board.done("read", "all")
        after = board.line.notifications[-1].number
        reported = int(answer.words[1], 16)
        if not (reported - before) % 0x10000 <= (after - before) % 0x10000:
            raise RuleBroken(f"the last notification was {before:04X}, and 'read all' says {reported:04X}")
        if len(answer.words[2]) != 8:
            raise RuleBroken("in the answer to 'read' the clock, eight hex digits, must follow the number")


def window(board: Subject) -> None:
    """**window**: requests of as many bytes as the buffer holds, less 16, sent at once, are all answered."""
    for _ in range(5):
        lines, room = [], board.buffer - 16
        while True:
            tag = board.line.next_tag()
            line = request(tag, ("hello",)) + b"\n"
            if len(line) > room:
                break
            lines.append((tag, line))
            room -= len(line)
        board.line.send(b"".join(line for _, line in lines))
        end = time.monotonic() + 2.0  # for all of them together, in case a board has lost many
        missing = [tag for tag, _ in lines if board.line.answer(tag, end - time.monotonic()) is None]
        if missing:
            raise RuleBroken(
                f"{len(lines)} requests within the buffer it reported were sent; {len(missing)} were not answered"
            )


def load(board: Subject) -> None:
    """**window** (under load): kept full for two seconds; everything is answered once, no bad lines, no gaps."""
    before = board.alive()
    sent_before = len(board.line.notifications)
    waiting: dict[int, int] = {}
    answered = 0
    board.line.answers.clear()
    end = time.monotonic() + 2.0
    while time.monotonic() < end or waiting:
        if time.monotonic() > end + 3.0:
            raise RuleBroken(f"under load {len(waiting)} of {answered + len(waiting)} requests were not answered")
        while time.monotonic() < end and len(waiting) < 200:
            tag = board.line.next_tag()
            line = request(tag, ("item", "00")) + b"\n"
            # A line longer than the window is sent alone.
            if tag in waiting or (waiting and sum(waiting.values()) + len(line) > board.buffer - 16):
                break
            waiting[tag] = len(line)
            board.line.send(line)
        board.line.pump()
        for answer in board.line.answers:
            if waiting.pop(answer.tag, None) is None:
                raise RuleBroken(f"under load tag {answer.tag:02X} was answered twice")
            answered += 1
        board.line.answers.clear()
    after = board.alive()
    if after.words[3] != before.words[3]:
        raise RuleBroken("under load the board counted bad lines: it loses bytes")
    received = board.line.notifications[sent_before:]
    if any(later.number != (earlier.number + 1) % 0x10000 for earlier, later in itertools.pairwise(received)):
        raise RuleBroken("under load there is a gap in the running numbers")
