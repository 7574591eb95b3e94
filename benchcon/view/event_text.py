"""Puts one event into one line of text."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, NamedTuple

from benchcon.link.outcomes import HELD_WHYS
from benchcon.panel.model import Control, Part
from benchcon.panel.reading import made_or_open, own_position
from benchcon.panel.segments import decode
from benchcon.text import counted, printable
from benchcon.units import percent
from benchcon.view.event_feed import Feed
from benchcon.view.palette import BAD, BRASS, ENGRAVED, GOOD, IVORY, QUIET, UNKNOWN, WARN
from benchcon.view.showing import DARK_WHYS, label_of
from benchcon.wire import events as ev
from benchcon.wire.items import signed16


class EventLine(NamedTuple):
    """What the list shows of an event. All text is printable."""

    at_us: int
    source: int
    sort: str
    """A short word: ``is``, ``edge``, ``boot``, ``gap``, ``bad``, ``link``, ``mark`` …"""
    text: str
    colour: str


class Names(NamedTuple):
    """How lines name channels: by their part, if the panel has one, and unless `brief` also by their id."""

    feed: Feed
    brief: bool = False


def tell(event: ev.Event, names: Names) -> EventLine:
    """Return `event` as a line, with channels called as `names` says."""
    sort, text, colour = _TELLERS[type(event)](event, names)
    return EventLine(event[0], event[1], sort, text, colour)


def _named(names: Names, source: int, channel_id: str) -> str:
    part = names.feed.part_on(source, channel_id)
    plain = printable(channel_id)
    if part is None:
        return plain
    label = label_of(part)
    if names.brief and isinstance(part, Control) and len(part.channels) > 1 and _alone(part, channel_id) is None:
        return f"{label} {plain}"
    return label if names.brief or label.endswith(plain) else f"{label} ({plain})"


def _moved(event: ev.Moved, names: Names) -> tuple[str, str, str]:
    words = []
    for channel_id, value in event.values.items():
        name, part = _named(names, event.source, channel_id), names.feed.part_on(event.source, channel_id)
        position = _alone(part, channel_id)
        if position is None:
            words.append(f"{name} = {_value(part, value)}")
        else:
            words.append(f"{name} = {position}" if value else f"{name} leaves {position}")
    return "is", ", ".join(words), IVORY


def _alone(part: Part | None, channel_id: str) -> str | None:
    """Return the position of a switch that one of its contacts stands for; None if it stands for none by itself."""
    if not isinstance(part, Control) or len(part.channels) < 2:
        return None
    place = [channel.id for channel in part.channels].index(channel_id)
    position = own_position(part, place)
    return None if position is None else part.positions[position]


def _value(part: Part | None, value: int) -> str:
    if isinstance(part, Control):
        if part.kind == "encoder":
            return str(signed16(value))
        if len(part.channels) == 1 and (value,) in part.codes:
            return part.positions[part.codes.index((value,))]
        if len(part.channels) > 1:
            return made_or_open(value)
    return str(value)


def _edge(event: ev.Edge, names: Names) -> tuple[str, str, str]:
    return "edge", f"{_named(names, event.source, event.channel)} pin at {event.level}", ENGRAVED


def _reading(event: ev.Reading, names: Names) -> tuple[str, str, str]:
    return "raw", f"{_named(names, event.source, event.channel)} reads {event.counts}", ENGRAVED


def _alive(event: ev.Alive, names: Names) -> tuple[str, str, str]:
    return "alive", f"boot {event.boot}, worst loop {event.worst_loop_us} µs, supply {event.supply_mv} mV", QUIET


def _boot(event: ev.Boot, names: Names) -> tuple[str, str, str]:
    return "boot", f"the board was reset: {printable(event.cause)}, boot number {event.boot}", WARN


def _gap(event: ev.Gap, names: Names) -> tuple[str, str, str]:
    return "gap", f"{counted(event.missing, 'line')} lost on the way", BAD


def _notification(event: ev.Notification, names: Names) -> tuple[str, str, str]:
    word = event.words[0] if event.words else ""
    text = printable(" ".join(event.words))
    if not event.known:
        return "other", f"word not known here: {text}", QUIET
    rest = event.words[1:]
    colour = BAD if word in ("lost", "ghost", "skip") else WARN
    return printable(word), _NOTIFICATIONS.get(word, _plain)(rest, event.source, names), colour


def _dark_text(words: tuple[str, ...], source: int, names: Names) -> str:
    return "went dark by itself: " + ", ".join(DARK_WHYS.get(word, printable(word)) for word in words)


def _lost_text(words: tuple[str, ...], source: int, names: Names) -> str:
    return f"the board had to drop {counted(int(words[0], 16), 'notification')} here"


def _ghost_text(words: tuple[str, ...], source: int, names: Names) -> str:
    return (
        ", ".join(_named(names, source, word) for word in words)
        + ": may be a ghost of the matrix, not reported as made"
    )


def _skip_text(words: tuple[str, ...], source: int, names: Names) -> str:
    channel_id, _, count = words[0].partition("=")
    return f"{_named(names, source, channel_id)}: {counted(int(count, 16), 'invalid transition')} since the reset"


def _plain(words: tuple[str, ...], source: int, names: Names) -> str:
    return printable(" ".join(words))


_NOTIFICATIONS: dict[str, Callable[[tuple[str, ...], int, Names], str]] = {
    "dark": _dark_text,
    "lost": _lost_text,
    "ghost": _ghost_text,
    "skip": _skip_text,
}
"""For each notification of `benchcon.wire.notifications.FORMS`, the function that puts it into words."""

_BARE = {"dark": "all outputs off, and held off", "light": "dark ends; outputs stay off until they are set"}
"""Requests of a single word, in more words."""


def _asked(event: ev.Asked, names: Names) -> tuple[str, str, str]:
    word, *rest = event.words or ("",)
    if word == "set":
        outputs = []
        for pair in rest:
            channel_id, _, value = pair.partition("=")
            outputs.append(f"{_named(names, event.source, channel_id)} to {_output(value)}")
        return "set", ", ".join(outputs), ENGRAVED
    by_hand = " (by hand)" if event.tag == 0 else ""
    return printable(word), printable(" ".join(rest) or _BARE.get(word, word or "an empty line")) + by_hand, ENGRAVED


def _output(value: str) -> str:
    """Return a value of a `set` in words: a lamp's level, or what a display shows."""
    try:
        if len(value) == 3:
            return percent(int(value, 16))
        return f"“{decode(bytes.fromhex(value))}”"
    except ValueError:
        return printable(value)


def _answered(event: ev.Answered, names: Names) -> tuple[str, str, str]:
    if event.words[:1] == ("no",):
        asked = " ".join(event.request.words) if event.request else "?"
        return "refused", printable(f"{asked}: {' '.join(event.words[2:])}"), BAD
    took = f" after {event.took_us / 1000:.1f} ms" if event.took_us is not None else ""
    return "answer", printable(" ".join(event.words)) + took, QUIET


def _odd(event: ev.Odd, names: Names) -> tuple[str, str, str]:
    return "bad", f"{event.why}: {printable(event.raw)}", BAD


def _link(event: ev.Link, names: Names) -> tuple[str, str, str]:
    detail = " ".join(f"{printable(key)}={printable(value)}" for key, value in event.detail.items())
    output = _named(names, event.source, event.detail.get("channel", "?"))
    if event.word == "blink":
        return "link", f"{output} {'blinks' if event.detail.get('on') == '1' else 'stops blinking'}", QUIET
    if event.word == "held":
        why = event.detail.get("why", "")
        return "link", f"{output} {printable(HELD_WHYS.get(why, f'held back: {why}'))}", WARN
    text = _link_words(event.word, event.detail)
    colour = {"lost": BAD, "refused": BAD, "foreign": WARN, "ident": GOOD}.get(event.word, UNKNOWN)
    return "link", printable(text) or f"{printable(event.word)} {detail}".rstrip(), colour


def _link_words(word: str, detail: Mapping[str, str]) -> str:
    """Return a link record in words; empty if the record's own words are plain, or it is not known."""
    said = _DUPLICATE if word == "refused" and detail.get("why") == "duplicate" else _LINK.get(word)
    try:
        return said.format_map(detail) if said is not None else ""
    except KeyError:
        return ""  # a capture of another version may have other fields


_LINK = {
    "opened": "port {port} is open",
    "asking": "asking who is on port {port}",
    "ident": "board {ident} is linked, on port {port}",
    "silent": "no answer on port {port}; asked again every few seconds",
    "lost": "port {port} lost: {why}",
    "released": "port {port} released: {why}",
    "taken": "port {port} reopened",
    "repeat": "requests asked again, as no answer came: {times}",
    "timeout": "given up without an answer: {words}",
    "discarded": "bytes that are not kept, as a line did not end: {bytes}",
    "stuck": "the board has stopped reading; nothing more is sent",
    "moving": "the board reads again; lines dropped meanwhile: {dropped}",
    "unsent": "the port was lost with lines still to be sent: {lines}",
    "came": "a program has opened {port}, and drives the board",
    "left": "the program has closed {port}",
    "rate": "the program has set {rate} baud",
    "unrecorded": "bytes passed on that are not in the capture: {bytes}",
    "restless": "asked less often from here on: too many {why}",
    "forgotten": "another board takes the number of {ident}: {why}",
    "unkept": "port {port} could not be remembered: {why}",
    "refused": "{why}",
    "moved": "this is board number {to}, which has been here before",
    "foreign": "port {port}: something other than the line protocol at {rate} baud: {bytes}; {why}",
    "fault": "a bug in benchcon, please report it: {why}",
    "dismissed": "a part of benchcon failed and hears no more of the boards, please report it: {why}",
    "missed": "records that are not in this file: {records}, {why}",
}
"""Link records in words; the names in braces are fields of the record (capture-file.md, section 9)."""

_DUPLICATE = "port {port}: a second board {ident}; it can only be asked, identified by its light, or renamed"


def _note(event: ev.Note, names: Names) -> tuple[str, str, str]:
    return printable(event.kind), printable(event.text) or f"a {printable(event.kind)} without words", BRASS


_TELLERS: dict[type, Callable[[Any, Names], tuple[str, str, str]]] = {
    ev.Moved: _moved,
    ev.Edge: _edge,
    ev.Reading: _reading,
    ev.Alive: _alive,
    ev.Boot: _boot,
    ev.Gap: _gap,
    ev.Notification: _notification,
    ev.Asked: _asked,
    ev.Answered: _answered,
    ev.Odd: _odd,
    ev.Link: _link,
    ev.Note: _note,
}
