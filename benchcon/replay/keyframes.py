"""Working the state out again from a capture, and comparing it with the keyframes that were recorded."""

from __future__ import annotations

import json
import os
from typing import Any, NamedTuple

from benchcon.durations import seconds_text
from benchcon.replay.contents import board_name
from benchcon.replay.figures import problem_lines
from benchcon.state import BenchState
from benchcon.state_reader import StateReader
from benchcon.text import cut, printable
from benchcon.wire.records import KEYFRAME

LONGEST_NAME = 60
MOST_KEPT = 10_000
"""Most fields that are named; a stranger's file could have any number."""


class FieldDiffers(NamedTuple):
    """A field whose value in a keyframe is not the one worked out."""

    at_us: int
    where: str
    """``lighting.sw1``, ``lighting`` or ``bench``."""
    text: str


class KeyframeCheck(NamedTuple):
    """The result of comparing a capture's keyframes with the state."""

    keyframes: int
    """How many keyframes were compared."""
    names: list[str]
    """The names of everything that was compared: channels, boards, the bench."""
    otherwise: list[FieldDiffers]
    problems: list[str]


def hold_against_keyframes(path: str | os.PathLike[str]) -> KeyframeCheck:
    """Work the state out again, and compare it with every keyframe. Raises `Trouble` if the capture cannot be read."""
    state = BenchState()
    otherwise: list[FieldDiffers] = []
    held = 0
    with StateReader(path) as reader:
        for batch in reader:
            if batch.kind == KEYFRAME and not state.begins:
                for body in batch.bodies:
                    held += 1
                    if len(otherwise) < MOST_KEPT:
                        otherwise += _differences(state, batch.at_us, body)[:MOST_KEPT]
            state.feed(batch)
        names = ["bench"]
        for source, board in state.boards.items():
            name = _name(board_name(state, source))
            names += [name, *(f"{name}.{_name(channel)}" for channel in board.channels)]
        return KeyframeCheck(held, names, otherwise, problem_lines(reader))


def _differences(state: BenchState, at_us: int, body: bytes) -> list[FieldDiffers]:
    try:
        recorded = json.loads(body)
    except (ValueError, RecursionError):
        return [FieldDiffers(at_us, "bench", "the keyframe is not JSON")]
    now = json.loads(state.keyframe())
    if not isinstance(recorded, dict) or recorded.get("form") != now["form"]:
        return [FieldDiffers(at_us, "bench", "the keyframe is of a form that this program does not know")]
    found: list[FieldDiffers] = []
    _compare(found, at_us, "bench", _without(recorded, "boards"), _without(now, "boards"))
    boards = {board["source"]: board for board in now["boards"]}
    for board in _tables(recorded.get("boards")):
        source = board.get("source")
        mine = boards.pop(source, None) if isinstance(source, int) else None
        name = _name(board.get("ident") or board.get("name") or f"board {source}")  # of any type, so not `called`
        if mine is None:
            found.append(FieldDiffers(at_us, name, "is in the keyframe, but nothing was heard from it"))
            continue
        # The program that wrote the file may not have known a field yet, so only those in the keyframe are compared.
        own = {key: value for key, value in mine.items() if key in board}
        _compare(found, at_us, name, _without(board, "channels"), _without(own, "channels"))
        channels = {channel["id"]: channel for channel in mine["channels"]}
        for channel in _tables(board.get("channels")):
            own = channels.pop(str(channel.get("id")), {})
            _compare(found, at_us, f"{name}.{_name(channel.get('id'))}", channel, own)
        for left in channels:
            found.append(FieldDiffers(at_us, f"{name}.{_name(left)}", "was heard from, but is not in the keyframe"))
    for board in boards.values():
        found.append(FieldDiffers(at_us, _name(board["ident"] or board["source"]), "is not in the keyframe"))
    return found


def _tables(value: object) -> list[dict[str, Any]]:
    """Return the tables in a list from a file, which may hold anything, without whatever is not a table."""
    return [each for each in value if isinstance(each, dict)] if isinstance(value, list) else []


def _name(value: object) -> str:
    """Return a name from a file, printable and not too long."""
    return cut(printable(str(value)[: 2 * LONGEST_NAME]), LONGEST_NAME)


def _without(fields: dict[str, Any], name: str) -> dict[str, Any]:
    return {key: value for key, value in fields.items() if key != name}


def _compare(found: list[FieldDiffers], at_us: int, where: str, recorded: dict[str, Any], now: dict[str, Any]) -> None:
    for key in [*recorded, *(key for key in now if key not in recorded)]:
        then_value, now_value = recorded.get(key), now.get(key)
        if then_value != now_value:
            then, again = _short(then_value), _short(now_value)
            text = f"{_name(key)} was {then}, worked out again it is {again}, at {seconds_text(at_us)}"
            found.append(FieldDiffers(at_us, where, text))


def _short(value: object) -> str:
    return cut(printable(json.dumps(value)[:400]), 80)
