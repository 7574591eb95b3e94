"""A capture as tracks: the values of each channel, in order, with their times."""

from __future__ import annotations

import os
from array import array
from collections.abc import Sequence
from dataclasses import dataclass, field

from benchcon.durations import seconds_text
from benchcon.panel.reading import made_or_open
from benchcon.panel.segments import decode, segments_of
from benchcon.replay.figures import problem_lines
from benchcon.state.changes import OF_BOARDS, Changes
from benchcon.state_reader import StateReader
from benchcon.text import printable
from benchcon.units import percent
from benchcon.wire.items import digits_in
from benchcon.wire.records import Batch

NOT_KNOWN = -(1 << 63)
"""In place of a value that is not known."""


@dataclass(slots=True)
class Track:
    """The values of one channel; the first is the one that it had when it was first known."""

    board: str
    channel: str
    kind: str = ""
    digits: int = 0
    times: array[int] = field(default_factory=lambda: array("q"))
    values: array[int] | list[int] = field(default_factory=lambda: array("q"))
    """An array as long as every value fits in 64 bits with a sign, which is nearly always."""

    def add(self, at_us: int, value: int | None) -> None:
        """Add a value; None: not known."""
        number = NOT_KNOWN if value is None else value
        try:
            self.values.append(number)
        except OverflowError:  # a display of eight digits with its leftmost point lit fills all of 64 bits
            self.values = [*self.values, number]
        self.times.append(at_us)

    @property
    def of_board(self) -> bool:
        """Whether this is about the whole board."""
        return self.channel in OF_BOARDS

    @property
    def name(self) -> str:
        """``board.channel``."""
        return f"{self.board}.{self.channel}"

    def shown(self, value: int) -> str:
        """Return a value as text for people: ``made``, ``50 %``, ``'1013'``."""
        if value == NOT_KNOWN:
            return "not known"
        if self.kind == "contact":
            return made_or_open(value)
        if self.kind == "lamp":
            return percent(value)
        if self.kind == "display" and self.digits:
            text = decode(segments_of(value, self.digits))
            return f"'{text}'" if text.strip() else "blank"
        return str(value)


@dataclass(slots=True)
class Recording:
    """The tracks of a capture, and its length."""

    path: str
    first_us: int
    last_us: int
    tracks: dict[str, Track]
    """``board.channel`` → track."""
    problems: list[str]
    """What is wrong with the file, one line each."""
    marks: list[tuple[int, str]]
    """Stamp and text of each note."""

    @property
    def size(self) -> str:
        """The length and the number of channels, in words."""
        channels = sum(1 for track in self.tracks.values() if not track.of_board)
        return f"{seconds_text(self.last_us - self.first_us)}, {channels} channels"


class Tracks:
    """Takes a stream of batches, and keeps its tracks."""

    def __init__(self) -> None:
        self.changes = Changes()
        self._tracks: dict[tuple[int, str], Track] = {}
        self._first_us: int | None = None
        self._last_us = 0

    def feed(self, batch: Batch) -> None:
        """Add one batch."""
        self._last_us = batch.at_us
        if self._first_us is None:
            self._first_us = batch.at_us
        for at_us, source, channel, value, _ in self.changes.feed(batch):
            track = self._tracks.get((source, channel))
            if track is None:
                if value is None:
                    continue
                track = self._tracks[source, channel] = Track("", channel)
            track.add(at_us, value)

    def recording(self, path: str, problems: Sequence[str] = (), marks: Sequence[tuple[int, str]] = ()) -> Recording:
        """Return the tracks so far."""
        named: dict[str, Track] = {}
        for (source, channel), track in self._tracks.items():
            board = self.changes.state.boards.get(source)
            if board is None:  # its number was only lent: its channels are under another number
                continue
            track.board = board.called
            track.channel = printable(channel)  # an id in a stranger's keyframe can be anything
            state = board.channels.get(channel)
            if state is not None:
                track.kind = state.kind
                track.digits = digits_in(state.detail, 0)
            named.setdefault(track.name, track)
        return Recording(path, self._first_us or 0, self._last_us, named, list(problems), list(marks))


def tracks_of(path: str | os.PathLike[str]) -> Recording:
    """Return the tracks of a capture. Raises `Trouble` if it cannot be read."""
    tracks = Tracks()
    with StateReader(path) as reader:
        for batch in reader:
            tracks.feed(batch)
        marks = [(mark.at_us, printable(mark.body)) for mark in reader.notes()]
        return tracks.recording(reader.shown, problem_lines(reader), marks)
