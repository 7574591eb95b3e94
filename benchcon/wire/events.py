"""What the observer makes of records: typed events, as tuples.

Every event begins with ``at_us`` (host stamp, as on the record) and ``source`` (board number). ``clock_us`` is the
board's clock, unwrapped: microseconds since that board's reset, without an upper limit.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from functools import partial
from itertools import repeat
from typing import Any, NamedTuple


class Moved(NamedTuple):
    """Notification ``is``: inputs changed. `values`: channel id → value, an integer ≥ 0.

    By far the most frequent event.
    """

    at_us: int
    source: int
    clock_us: int
    number: int
    values: dict[str, int]


class Edge(NamedTuple):
    """Notification ``edge``, unpacked: the pin of `channel` had level `level` from `clock_us` on (encoder: A·2+B)."""

    at_us: int
    source: int
    clock_us: int
    channel: str
    level: int


class Reading(NamedTuple):
    """Notification ``raw``: an unfiltered reading of a potentiometer, in counts."""

    at_us: int
    source: int
    clock_us: int
    channel: str
    counts: int


class Alive(NamedTuple):
    """Notification ``alive``, the heartbeat; all counters as sent (modulo 65536)."""

    at_us: int
    source: int
    clock_us: int
    boot: int
    wraps: int
    bad_lines: int
    dropped: int
    worst_loop_us: int
    supply_mv: int
    dark: bool
    deadman: bool


class Boot(NamedTuple):
    """Notification ``boot``, or a reset inferred from other signs; `cause` is then ``seen``: no boot line came."""

    at_us: int
    source: int
    boot: int
    cause: str


class Gap(NamedTuple):
    """A gap in the running numbers: `missing` notifications were lost on the way before this moment."""

    at_us: int
    source: int
    missing: int


class Notification(NamedTuple):
    """Any other notification: ``skip``, ``ghost``, ``lost``, ``dark`` or an unknown word.

    `words` are those after the clock; `known` is False for a word or a form that this program does not know.
    """

    at_us: int
    source: int
    clock_us: int
    words: tuple[str, ...]
    known: bool


class Asked(NamedTuple):
    """A request went to the board (`tag` 0: typed by hand)."""

    at_us: int
    source: int
    tag: int
    words: tuple[str, ...]


class Answered(NamedTuple):
    """An answer came. `request` is the request that it answers; None if that was not seen.

    `took_us` is the host time between the two; None if not known, or if the request was sent more than once. `words`
    are the words after the tag: ``("set", "0012ABCD")``, ``("no", "03", "no", "such", "channel")``.
    """

    at_us: int
    source: int
    tag: int
    words: tuple[str, ...]
    request: Asked | None
    took_us: int | None


class Odd(NamedTuple):
    """Bytes that are not a good line. `why` is one of `benchcon.wire.codec.REASONS`."""

    at_us: int
    source: int
    raw: bytes
    why: str


class Link(NamedTuple):
    """A link record: `word` and its ``key=text`` pairs."""

    at_us: int
    source: int
    word: str
    detail: dict[str, str]


class Note(NamedTuple):
    """A note: `kind` (``mark``, ``trigger``, ``expectation``, ``word``) and its text."""

    at_us: int
    source: int
    kind: str
    text: str


class AllMoved(Sequence["Event"]):
    """The events of one batch when all of them are `Moved`; they are made only when somebody iterates over them.

    A listener that looks for other events can skip the whole batch, and one that needs only clocks, numbers or values
    finds them here. `clocks`, `numbers` and `values` have one element per event.
    """

    __slots__ = ("_made", "at_us", "clocks", "numbers", "source", "values")

    def __init__(
        self, at_us: int, source: int, clocks: Sequence[int], numbers: Sequence[int], values: Sequence[dict[str, int]]
    ) -> None:
        self.at_us = at_us
        self.source = source
        self.clocks = clocks
        self.numbers = numbers
        self.values = values
        self._made: list[Event] = []

    def made(self) -> list[Event]:
        """Return the events."""
        if not self._made:
            fields = zip(repeat(self.at_us), repeat(self.source), self.clocks, self.numbers, self.values)
            self._made = list(map(_new_moved, fields))
        return self._made

    def __len__(self) -> int:
        return len(self.clocks)

    def __iter__(self) -> Iterator[Event]:
        return iter(self.made())

    def __getitem__(self, place: Any) -> Any:
        return self.made()[place]


_new_moved: Callable[[tuple[Any, ...]], Event] = partial(tuple.__new__, Moved)

Event = Moved | Edge | Reading | Alive | Boot | Gap | Notification | Asked | Answered | Odd | Link | Note
