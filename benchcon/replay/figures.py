"""A capture as figures: what it holds, what is wrong with it, and the state at its end or at any time."""

from __future__ import annotations

import os
from collections import Counter
from typing import Any

from benchcon.capture.form import wall_time
from benchcon.capture.missing import Missing
from benchcon.durations import seconds_text
from benchcon.errors import Trouble
from benchcon.state import BenchState
from benchcon.state.board import called
from benchcon.state_reader import StateReader
from benchcon.text import counted, printable
from benchcon.units import written

MOST_SHOWN = 20
"""Most problems that are listed; all are counted."""
_COUNTED = (
    ("boots", "restart"),
    ("bad_lines", "bad line"),
    ("lost_notifications", "lost notification"),
    ("refused", "refusal"),
    ("gave_up", "unanswered request"),
)
"""The counters of each board, which are shown if they are not 0."""
_NAMES = {
    "<": "lines_up",
    ">": "lines_down",
    "(": "bytes_up",
    ")": "bytes_down",
    "~": "link",
    "*": "notes",
    "=": "keyframes",
}


def figures(path: str | os.PathLike[str], at_us: int | None = None) -> dict[str, Any]:
    """Return everything about a capture as data that JSON can hold; the same file always gives the same.

    The state is that at the end, or at the stamp `at_us`. Of the panel file only the digest is included. Raises
    `Trouble` if the capture cannot be read, or does not include that stamp.
    """
    state = BenchState()
    kinds: Counter[str] = Counter()
    missing = Missing()
    with StateReader(path) as reader:
        end_us = reader.last_us if at_us is None else at_us
        if not reader.first_us <= end_us <= reader.last_us:
            span = f"it goes from {seconds_text(reader.first_us)} to {seconds_text(reader.last_us)}"
            raise Trouble(f"{reader.shown}: {written(end_us / 1e6, 's')} is not in this capture; {span}")
        for batch in reader if at_us is None else reader.until(at_us):
            kinds[batch.kind] += len(batch.bodies)
            missing.feed(batch)
            state.feed(batch)
        snapshot = state.as_json(end_us)
        del snapshot["panel"]["text"]
        return {
            "capture": {
                "file": reader.shown,
                "began": wall_time(reader.began, 0),
                "first_us": reader.first_us,
                "last_us": reader.last_us,
                "at_us": end_us,
                "header": {printable(key): printable(text) for key, text in reader.words.items()},
                "records": {name: kinds[kind] for kind, name in _NAMES.items()},
                "missing": {"records": dict(missing.records), "bytes": missing.bytes},
                "problems": reader.problem_counts,
                "first_problems": [
                    {"sort": problem.sort, "where": problem.where, "what": problem.text}
                    for problem in reader.problems[:MOST_SHOWN]
                ],
            },
            "state": snapshot,
        }


def in_a_line(found: dict[str, Any]) -> str:
    """Return the result of `figures` as one line for people: size, state of every board, what is wrong."""
    capture, state = found["capture"], found["state"]
    records = sum(capture["records"].values()) - capture["records"]["keyframes"]
    parts = [f"{counted(records, 'record')} in {seconds_text(capture['at_us'] - capture['first_us'])}"]
    if notes := capture["records"]["notes"]:
        parts[0] += f", {counted(notes, 'note')} among them"
    for board in state["boards"]:
        name = called(board["ident"], board["name"], board["source"])
        channels = board["channels"]
        known = sum(channel.get("value") is not None for channel in channels)
        of = f"{known} of {counted(len(channels), 'channel')}" if known < len(channels) else counted(known, "channel")
        counts = [counted(board[key], word) for key, word in _COUNTED if board[key]]
        parts.append(", ".join([f"{name} {board['liveness']} with {of} known", *counts]))
    missing = Missing()
    missing.records.update(capture["missing"]["records"])
    missing.bytes = capture["missing"]["bytes"]
    if lost := missing.words():
        parts.append(lost)
    if wrong := sum(capture["problems"].values()):
        parts.append(f"{counted(wrong, 'place')} in the file {'is' if wrong == 1 else 'are'} wrong")
    return f"{capture['file']}: {'; '.join(parts)}"


MOST_LINES = 5
"""Most problems that are told one by one."""


def first_problem_lines(found: dict[str, Any]) -> list[str]:
    """Return the first problems in the result of `figures`, as printable lines."""
    capture = found["capture"]
    return [f"{capture['file']}: {each['where']}: {each['what']}" for each in capture["first_problems"][:MOST_LINES]]


def problem_lines(reader: StateReader) -> list[str]:
    """Return the problems found in a capture so far, as printable lines; the first ones, and how many more."""
    lines = [f"{reader.shown}: {problem}" for problem in reader.problems[:MOST_LINES]]
    more = sum(reader.problem_counts.values()) - len(lines)
    if more > 0:
        counts = ", ".join(f"{count} {sort}" for sort, count in sorted(reader.problem_counts.items()))
        lines.append(f"{reader.shown}: and {more} more (in all: {counts})")
    return lines
