"""Rules that need a hand on the board, to reset it, to move inputs and to look at lamps.

Simulated and emulated boards have one. Without a hand, or with one that cannot do what a rule needs, that rule is not
run.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable
from typing import TypeVar

from benchcon.conform.board import DescribedChannel, NotRun, RuleBroken, Subject
from benchcon.conform.rules_dark import insist_off, light_all
from benchcon.conform.rules_time import expect_a_heartbeat_each_second
from benchcon.conform.wireside import ReceivedNotification
from benchcon.errors import Trouble
from benchcon.rig.hand import Hand
from benchcon.text import printable

T = TypeVar("T")

NOTIFICATION_TIME_MS = 8.0
"""Five, and three for the host to read; the median of several counts, so that a busy host is not a fault."""


def _by(act: Callable[[], T]) -> T:
    """Return what `act`, which uses the hand, returns. Raises `NotRun` if the hand cannot do it."""
    try:
        return act()
    except Trouble as why:
        raise NotRun(f"the hand cannot: {why}") from None


def _debounce_s(channel: DescribedChannel) -> float:
    return int(channel.detail.get("deb", "0") or "0", 16) / 1000


def _reports(board: Subject, id_: str, since: int) -> list[tuple[str, ReceivedNotification]]:
    """Return (value, notification) of every report of a channel by `is` from index `since` on."""
    return [
        (word.partition("=")[2], notification)
        for notification in board.line.notifications[since:]
        if notification.words[0] == "is"
        for word in notification.words[1:]
        if word.partition("=")[0] == id_
    ]


def _contacts(board: Subject) -> list[DescribedChannel]:
    contacts = [channel for channel in board.channels if channel.kind == "contact"]
    if not contacts:
        raise NotRun("the board has no contacts")
    return contacts[:8]


def changes(board: Subject, hand: Hand) -> None:
    """**numbers** (changes): each press and each release of a contact is reported by `is` once, and reads the same."""
    for channel in _contacts(board):
        before = board.value(channel.id)
        since = len(board.line.notifications)
        for act, wanted in ((hand.press, "1"), (hand.release, "0")):
            _by(lambda act=act, channel=channel: act(channel.id))  # type: ignore[misc]
            board.line.pump(0.15 + _debounce_s(channel))
            if before == "0" and (value := board.value(channel.id)) != wanted:
                raise RuleBroken(f"'{channel.id}' was moved by the hand and reads {value}; {wanted} was expected")
        reported = [value for value, _ in _reports(board, channel.id, since)]
        if before == "0" and reported != ["1", "0"]:
            raise RuleBroken(f"'{channel.id}' pressed and released was reported as {reported}, not as 1 and 0")


def notification_time(board: Subject, hand: Hand) -> None:
    """**notification-time**: a change is on the wire within 5 ms after the input was accepted as changed."""
    contact = next((channel for channel in _contacts(board) if board.value(channel.id) == "0"), None)
    if contact is None:
        raise NotRun("no contact is open")
    # The fastest answer shows the least time to the host; any longer time of a notification was spent waiting.
    fastest = min(_way_up(board) for _ in range(20))
    waited_ms: list[float] = []
    for _ in range(5):
        for act in (hand.press, hand.release):
            since = len(board.line.notifications)
            _by(lambda act=act: act(contact.id))  # type: ignore[misc]
            end = time.monotonic() + 0.3 + _debounce_s(contact)
            while not (reports := _reports(board, contact.id, since)) and time.monotonic() < end:
                board.line.pump(0.005)
            if reports:
                notification = reports[0][1]
                waited_us = (int(notification.at * 1e6) - notification.clock_us - fastest) % 2**32
                waited_ms.append(0.0 if waited_us > 2**31 else waited_us / 1000)
    if not waited_ms:
        raise NotRun(f"'{contact.id}' was pressed, and nothing was reported")
    if (typical := statistics.median(waited_ms)) > NOTIFICATION_TIME_MS:
        raise RuleBroken(f"changes are on the wire {typical:.0f} ms after they were accepted; within 5 ms was expected")


def _way_up(board: Subject) -> int:
    """Ping once; return the host's clock at the answer less the board's when it was sent, in µs modulo 2^32."""
    answer = board.done("ping", "0" * 8, "0" * 8)
    return (int(answer.at * 1e6) - int(answer.words[2], 16)) % 2**32


def _lit(hand: Hand) -> list[str]:
    """Return the lamps and displays that are really lit."""
    shining = [id_ for id_, level in _by(hand.lit).items() if level]
    return shining + [id_ for id_, segments in _by(hand.shown_all).items() if any(segments)]


def undimmed(board: Subject, hand: Hand) -> None:
    """**set** (undimmed): a lamp that cannot be dimmed is lit at 1F4 and above, and off below."""
    lamps = [each for each in board.outputs if each.kind == "lamp" and each.detail.get("dim") != "1"]
    if not lamps:
        raise NotRun("every lamp of this board can be dimmed")
    for lamp in lamps[:4]:
        for level, wanted in (("3E8", True), ("1F4", True), ("1F3", False), ("001", False)):
            board.done("set", f"{lamp.id}={level}")
            board.line.pump(0.05)
            if (lamp.id in _lit(hand)) != wanted:
                if level == "3E8":
                    raise NotRun(f"'{lamp.id}' is not lit at 3E8 either: check its supply")
                is_lit = "lit" if not wanted else "off"
                raise RuleBroken(f"'{lamp.id}', which cannot be dimmed, is {is_lit} at {level}; it is lit from 1F4 on")


def dark_lit(board: Subject, hand: Hand) -> None:
    """**dark** (seen): in dark nothing is lit, whatever the board says."""
    board.lamp()
    light_all(board)
    board.line.pump(0.05)
    before = set(_lit(hand))
    board.done("dark")
    board.line.pump(0.05)
    shining = [id_ for id_ in _lit(hand) if id_ in {channel.id for channel in board.outputs}]
    if shining:
        raise RuleBroken(f"in dark '{printable(shining[0])}' is lit")
    if not before:
        raise NotRun("nothing was lit before dark either: check the supply")


def local_dark(board: Subject, hand: Hand) -> None:
    """**local-dark**: the contact marked `dark=1` darkens its board, which refuses `light` while it is made."""
    switch = next((each for each in board.channels if each.kind == "contact" and each.detail.get("dark") == "1"), None)
    if switch is None:
        raise NotRun("no contact of this board says dark=1")
    lamp = board.lamp()
    if board.value(switch.id) != "0":
        raise NotRun(f"'{switch.id}' is made already")
    light_all(board)
    since = len(board.line.notifications)
    _by(lambda: hand.press(switch.id))
    try:
        board.line.pump(0.15 + _debounce_s(switch))
        if not any(notification.words[:2] == ("dark", "local") for notification in board.line.notifications[since:]):
            raise RuleBroken(f"'{switch.id}' was made, and 'dark local' did not come")
        insist_off(board, f"with '{switch.id}' made")
        board.refused("06", "set", f"{lamp.id}={lamp.on}")
        board.refused("06", "light")
    finally:
        _by(lambda: hand.release(switch.id))
    board.line.pump(0.15 + _debounce_s(switch))
    board.refused("06", "set", f"{lamp.id}={lamp.on}")
    board.done("light")
    board.done("set", f"{lamp.id}={lamp.on}")


# --- after a reset ----------------------------------------------------------------------------------------------------


def _reset(board: Subject, hand: Hand) -> tuple[ReceivedNotification, int]:
    """Reset the board and wait for its boot line; return that, and its index among the notifications."""
    odd, since = len(board.line.odd), len(board.line.notifications)
    _by(hand.reset)
    notification = board.line.await_notification("boot", 8.0, since)
    if notification is None:
        board.malformed(b"!", odd)
        raise RuleBroken("no 'boot' came within eight seconds after a reset")
    return notification, board.line.notifications.index(notification, since)


def boot(board: Subject, hand: Hand) -> None:
    """**boot**: after a reset the first line is `boot`, numbered 0000, with the next boot number."""
    old = int(board.alive().words[1], 16)
    since = len(board.line.notifications) - 1
    notification, place = _reset(board, hand)
    if notification.number != 0:
        raise RuleBroken(f"'boot' was numbered {notification.number:04X}; it is the first line after a reset, 0000")
    for earlier, later in zip(
        board.line.notifications[since : place - 1], board.line.notifications[since + 1 : place], strict=False
    ):
        if later.number != (earlier.number + 1) % 0x10000:
            raise RuleBroken(
                f"'{printable(' '.join(later.words))}' came before 'boot', which is the first line after a reset"
            )
    number = notification.words[1] if len(notification.words) > 1 else ""
    if number.upper() != f"{(old + 1) % 0x10000:04X}":
        raise RuleBroken(
            f"the boot number was {old:04X}, and after the reset it is {printable(number)}; {old + 1:04X} was expected"
        )


def reset_outputs(board: Subject, hand: Hand) -> None:
    """**after-reset** (outputs): all outputs are off, though they were lit before."""
    board.lamp()
    light_all(board)
    _reset(board, hand)
    insist_off(board, "after a reset")
    try:
        shining = [id_ for id_ in _lit(hand) if id_ in {channel.id for channel in board.outputs}]
    except NotRun:
        return
    if shining:
        raise RuleBroken(f"after a reset '{printable(shining[0])}' is lit")


def reset_dark(board: Subject, hand: Hand) -> None:
    """**after-reset** (dark): a board that was dark no longer is."""
    lamp = board.lamp()
    board.done("dark")
    _reset(board, hand)
    if board.flags() & 1:
        raise RuleBroken("flag 01 of 'alive' says dark after a reset; a board that was reset is not dark")
    answer = board.ask("set", f"{lamp.id}={lamp.off}")
    if answer.words[0] == "no":
        raise RuleBroken("an output cannot be set after a reset; a board that was reset is not dark")


def reset_deadman(board: Subject, hand: Hand) -> None:
    """**after-reset** (dead-man): a dead-man that was set is off."""
    board.lamp()
    board.done("deadman", "01F4")
    _, place = _reset(board, hand)
    board.line.pump(1.0)
    if any(notification.words[0] == "dark" for notification in board.line.notifications[place:]):
        raise RuleBroken("the dead-man darkened the board after a reset; it is off until it is set")
    if board.flags() & 2:
        raise RuleBroken("flag 02 of 'alive' says that the dead-man is set after a reset; it is off until it is set")


def reset_heartbeat(board: Subject, hand: Hand) -> None:
    """**after-reset** (heartbeat): its period is one second, whatever was set."""
    board.done("alive", "00C8")
    _reset(board, hand)
    expect_a_heartbeat_each_second(board, "after a reset ")


def reset_raw(board: Subject, hand: Hand) -> None:
    """**after-reset** (raw): no channel reports raw edges or readings until it is asked to."""
    able = board.with_raw()
    able.sort(key=lambda channel: ("contact", "encoder", "pot").index(channel.kind))
    for channel in able[:4]:
        board.done("raw", f"{channel.id}=1")
    _, place = _reset(board, hand)
    moved = able[0]
    if moved.kind == "contact":
        _by(lambda: hand.press(moved.id))
        board.line.pump(0.15)
        _by(lambda: hand.release(moved.id))
    elif moved.kind == "encoder":
        _by(lambda: hand.turn(moved.id, 1))
    board.line.pump(0.3)
    for notification in board.line.notifications[place:]:
        if notification.words[0] in ("edge", "raw"):
            raise RuleBroken(
                f"after a reset '{printable(' '.join(notification.words))}' came; raw is off until it is asked for"
            )
