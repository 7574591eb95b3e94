"""Triggers, and reading the ``[[triggers]]`` tables of a panel file (`protocols/panel-file.md`)."""

from __future__ import annotations

import re
from dataclasses import dataclass

from benchcon.errors import Trouble
from benchcon.panel.model import Panel
from benchcon.panel.reader import CHANNEL_ID, PanelRemark, SourceFile, TomlTable, in_order, shown
from benchcon.text import near

KINDS: dict[str, str] = {
    "chatter": "an input changes back and forth faster than a hand can",
    "short_press": "a contact is made for a shorter time than a hand can make it",
    "gap": "notifications were lost on the way",
    "bad_checks": "many lines came with a wrong check",
    "reset": "a board was reset",
    "silence": "a board has become silent",
    "invalid_transition": "an encoder made an invalid transition, of two states at once",
    "late_answer": "an answer came late, or never",
    "range": "a value came into a range",
}
"""Kind of trigger → what it watches for."""

OF_CHANNELS = frozenset({"chatter", "short_press", "invalid_transition", "range"})
"""Kinds that are about channels; the others are about boards."""

_NAME = re.compile(r"[a-z][a-z0-9_]{0,31}")
_DOTTED = re.compile(r"[a-z][a-z0-9_]{0,15}\.[a-z][a-z0-9_]{0,7}")


@dataclass(frozen=True, slots=True)
class Trigger:
    """One thing to watch for."""

    name: str
    kind: str
    """One of `KINDS`."""
    boards: tuple[str, ...] = ()
    """Boards (by the panel's name) that it watches; empty: all."""
    channels: tuple[tuple[str, str], ...] = ()
    """Channels (board name, channel id) that it watches; empty: all of the right kind."""
    more_than: int = 0
    """It fires at more changes (``chatter``) or bad lines (``bad_checks``) than this within `time_us`."""
    time_us: int = 0
    """``chatter``, ``bad_checks``: the period looked at. ``short_press``: fires if shorter than this. ``silence``,
    ``late_answer``: fires if longer than this; 0 with ``silence``: three heartbeats."""
    low: int = 0
    """``range``: the lowest value that fires, as on the wire; encoders as signed counts."""
    high: int = 0
    """``range``: the highest value that fires."""
    rest_us: int = 10_000_000
    """How long it does not fire again after it has fired, per channel or board."""
    save: bool = True
    """Whether the ring is written out when it fires."""
    line: int = 0
    """Line of the panel file."""


# What each kind takes besides name, kind, target, rest and save: the default of more_than; key and default time in ms.
_MORE_THAN = {"chatter": 6, "bad_checks": 5}
_TIMES = {
    "chatter": ("within", 250.0),
    "bad_checks": ("within", 1000.0),
    "short_press": ("under", 20.0),
    "silence": ("after", 0.0),
    "late_answer": ("after", 50.0),
}


def triggers_of(panel: Panel) -> list[Trigger]:
    """Return the triggers that the panel file declares, in its order.

    Raises `Trouble` with file and line of the first thing that is wrong.
    """
    triggers, findings = inspect_triggers(panel)
    for finding in findings:
        if finding.grave:
            raise Trouble(str(finding))
    return triggers


def inspect_triggers(panel: Panel) -> tuple[list[Trigger], list[PanelRemark]]:
    """Return the triggers that are right, and everything found wrong with their tables, in order of line."""
    lines = {("triggers", number): raw.line for number, raw in enumerate(panel.triggers)} | {
        ("triggers", number, key): line for number, raw in enumerate(panel.triggers) for key, line in raw.lines.items()
    }
    source = SourceFile(panel.path or "panel file", lines)  # type: ignore[arg-type]
    found: list[Trigger] = []
    for number, raw in enumerate(panel.triggers):
        table = TomlTable(source, ("triggers", number), raw.values)
        trigger = _trigger(table, panel, raw.line)
        if trigger is None:
            continue
        if trigger.name in {other.name for other in found}:
            table.say("name", f"is {shown(trigger.name)}, like another trigger's; each needs a name of its own")
            continue
        found.append(trigger)
    return found, in_order(source.findings)


def _trigger(table: TomlTable, panel: Panel, line: int) -> Trigger | None:
    before = len(table.source.findings)
    if table.get("kind") is None:
        table.say(None, f"has no kind; allowed: {', '.join(KINDS)}")
        return None
    kind = table.word("kind", tuple(KINDS), "")
    if not kind:
        return None
    name = table.matching("name", _NAME, "lower-case letters, digits and _ are allowed, a letter first", kind)
    more_than = table.whole("more_than", _MORE_THAN[kind], 1, 1000) if kind in _MORE_THAN else 0
    time_ms = 0.0
    if kind in _TIMES:
        key, default = _TIMES[kind]
        time_ms = table.quantity(key, "ms", default, 1, 3_600_000, 'from "1 ms" to "60 min"')
    low = high = 0
    if kind == "range":
        for key in ("from", "to"):
            if table.get(key) is None:
                table.lacks(f"has no {key}; a range needs both, in values as on the wire", key)
        low = table.whole("from", 0, -32768, (1 << 64) - 1)
        high = table.whole("to", 0, -32768, (1 << 64) - 1)
        if low > high:
            table.say("from", f"is {low}, above 'to', which is {high}")
    boards, channels = _target(table, panel, kind)
    rest_ms = table.quantity("rest", "ms", 10_000, 100, 86_400_000, 'from "100 ms" to "24 h"')
    save = table.flag("save", True)
    table.done()
    if len(table.source.findings) > before:
        return None
    return Trigger(
        name=name,
        kind=kind,
        boards=boards,
        channels=channels,
        more_than=more_than,
        time_us=int(time_ms * 1000),
        low=low,
        high=high,
        rest_us=int(rest_ms * 1000),
        save=save,
        line=line,
    )


def _target(table: TomlTable, panel: Panel, kind: str) -> tuple[tuple[str, ...], tuple[tuple[str, str], ...]]:
    """Return which boards and channels a trigger watches; its table may have one of board, part and channel."""
    names = [board.name for board in panel.boards]
    board = table.word("board", names, "") if names else table.matching("board", _NAME, "a board's name is allowed")
    channels: tuple[tuple[str, str], ...] = ()
    if kind in OF_CHANNELS:
        parts = {part.name: part for part in panel.parts}
        if (value := table.get("part")) is not None:
            if isinstance(value, str) and value in parts:
                part = parts[value]
                own = part.channels
                channels = tuple((channel.board, channel.id) for channel in own)
            else:
                hint = near(value, parts) if isinstance(value, str) else ""
                table.say("part", f"is {shown(value)}; the name of a control, a lamp or a display is allowed{hint}")
        dotted = table.matching("channel", _DOTTED, 'board and channel are allowed, such as "lighting.sw_app"')
        if dotted:
            board_name, _, channel = dotted.partition(".")
            if names and board_name not in names:
                table.say("channel", f"is on the board {shown(board_name)}; allowed: {', '.join(names)}")
            assert CHANNEL_ID.fullmatch(channel)
            channels = ((board_name, channel),)
    given = [key for key in ("board", "part", "channel") if key in table.values]
    if len(given) > 1:
        table.say(given[1], f"is given together with {given[0]}; only one of the two is allowed")
    if kind == "range" and not channels:
        table.lacks("has no part or channel; a range is always that of one", "part", "channel")
    if kind == "short_press" and not channels:
        # A switch that is turned may be made for a moment; a push button that is made so briefly was not pressed by a
        # hand.
        buttons = [control for control in panel.controls if control.kind == "button"]
        own = tuple(channel for button in buttons for channel in button.channels if board in ("", channel.board))
        channels = tuple((channel.board, channel.id) for channel in own)
    return (board,) if board else (), channels
