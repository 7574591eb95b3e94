"""The words of notifications: the form of each, and the events that it becomes.

See section 7 of `protocols/line-protocol.md`. A word that is not here, or whose arguments have another form, is
unknown: it is kept and counted, and otherwise ignored.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from sys import intern

from benchcon.wire.events import Alive, Edge, Event, Notification, Reading

_CHAN = "[a-z][a-z0-9_]{0,7}"
_HEX4 = "[0-9A-F]{4}"

CAUSES = ("power", "reset", "watchdog", "brownout", "unknown")
"""Why a board started, in the words of its boot line."""

FORMS = {
    word: re.compile(form)
    for word, form in {
        "edge": f"edge {_CHAN}=(?:[01](?: {_HEX4})*|[23])",
        "raw": f"raw {_CHAN}={_HEX4}",
        "skip": f"skip {_CHAN}={_HEX4}",
        "ghost": f"ghost(?: {_CHAN})+",
        "alive": f"alive(?: {_HEX4}){{6}} [0-9A-F]{{2}}",
        "boot": f"boot {_HEX4} (?:{'|'.join(CAUSES)}) [0-9A-F]{{2}}",
        "lost": f"lost {_HEX4}",
        "dark": "dark (?:deadman|local)",
    }.items()
}
"""Word of a notification other than ``is`` → form of everything after the clock, the word included."""


_IS = re.compile(rb"is(?: [a-z][a-z0-9_]{0,7}=[0-9A-F]{1,16})+")
_SETTINGS = re.compile(rb" ([a-z0-9_]+)=([0-9A-F]+)")
_SETTING = re.compile(rf"({_CHAN})=([0-9A-F]{{1,16}})")


def known(tail: str) -> bool:
    """Return whether `tail`, what follows the clock in a notification other than ``is``, has a form known here."""
    form = FORMS.get(tail.partition(" ")[0])
    return form is not None and form.fullmatch(tail) is not None


def settings(words: Iterable[str]) -> list[tuple[str, int]]:
    """Return (channel id, value) of each ``id=HEX`` word, as in `set`, `raw` and the answer to `read`, in order.

    Words of another form are ignored: even a line with the right check may hold anything.
    """
    found = (_SETTING.fullmatch(word) for word in words)
    return [(intern(match[1]), int(match[2], 16)) for match in found if match]


def lights(words: Sequence[str]) -> bool:
    """Return whether the request `words`, a whole `set`, lights anything."""
    return any(value for _, value in settings(words[1:]))


def moved_values(said: bytes) -> dict[str, int] | None:
    """Return channel id → value of an ``is`` and its words, or None if `said` is not of that form."""
    if not _IS.fullmatch(said):
        return None
    return {intern(channel.decode()): int(value, 16) for channel, value in _SETTINGS.findall(said)}


def _edge(at_us: int, source: int, clock_us: int, tail: str) -> list[Event]:
    _, first, *steps = tail.split(" ")
    channel, _, value = first.partition("=")
    level = int(value, 16)
    edges: list[Event] = [Edge(at_us, source, clock_us, channel, level)]
    for step in steps:
        clock_us += int(step, 16)
        level ^= 1
        edges.append(Edge(at_us, source, clock_us, channel, level))
    return edges


def _raw(at_us: int, source: int, clock_us: int, tail: str) -> list[Event]:
    channel, _, value = tail[4:].partition("=")
    return [Reading(at_us, source, clock_us, channel, int(value, 16))]


def _alive(at_us: int, source: int, clock_us: int, tail: str) -> list[Event]:
    *counts, flags = (int(word, 16) for word in tail.split(" ")[1:])
    boot, wraps, bad_lines, dropped, worst_loop_us, supply_mv = counts
    dark, deadman = bool(flags & 1), bool(flags & 2)
    return [
        Alive(at_us, source, clock_us, boot, wraps, bad_lines, dropped, worst_loop_us, supply_mv, dark, deadman),
    ]


def _notification(at_us: int, source: int, clock_us: int, tail: str) -> list[Event]:
    return [Notification(at_us, source, clock_us, tuple(tail.split(" ")), True)]


TELL: dict[str, Callable[[int, int, int, str], list[Event]]] = {
    "edge": _edge,
    "raw": _raw,
    "alive": _alive,
    "skip": _notification,
    "ghost": _notification,
    "lost": _notification,
    "dark": _notification,
    "boot": _notification,
}
"""Word of a notification other than ``is`` → function that returns its events.

Its arguments are host stamp, source, unwrapped clock in µs, and the text after the clock, which must be of known form.
"""
