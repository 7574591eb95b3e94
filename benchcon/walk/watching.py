"""The wiggle watch and the soak on a real bench."""

from __future__ import annotations

import queue
from collections.abc import Callable, Collection

from benchcon.errors import Trouble
from benchcon.session import Session
from benchcon.walk.evidence import Change
from benchcon.walk.layout import Layout
from benchcon.walk.outputs import Outputs
from benchcon.walk.runner import input_values
from benchcon.walk.soak import STEP_S, Strained, load_steps
from benchcon.walk.wants import Wants
from benchcon.walk.wiggle import Wiggle
from benchcon.wire import events as ev

LOOK_S = 0.2
"""How often it is looked whether to end."""


class _Watch:
    """Events of a live session, on the thread that asks for them."""

    def __init__(self, session: Session) -> None:
        if session.bench is None:
            raise Trouble("a capture cannot be watched like this; plug a board in")
        self.session, self.bench, self.panel = session, session.bench, session.panel
        self.layout = Layout.of(session.panel)
        self.names: dict[int, str] = {}
        self.sources: dict[str, int] = {}
        self._inbox: queue.SimpleQueue[list[ev.Event]] = queue.SimpleQueue()

    def __enter__(self) -> _Watch:
        self._end = self.session.subscribe(self._inbox.put)
        self.meet()
        return self

    def __exit__(self, *_: object) -> None:
        self._end()

    def meet(self) -> None:
        """Find the panel's boards on the bench."""
        with self.session.lock:
            for board in self.panel.boards:
                found = self.session.state.board_named(board.ident or board.name)
                if found is not None:
                    self.names[found.source] = board.name
                    self.sources[board.name] = found.source

    def events(self, at_most_s: float) -> list[ev.Event]:
        """Return what came, waiting so long for the first of it."""
        try:
            return self._inbox.get(timeout=at_most_s)
        except queue.Empty:
            return []


def wiggle(
    session: Session,
    parts: Collection[str],
    ended: Callable[[], bool],
    sound: Callable[[str], None],
) -> Wiggle:
    """Watch until `ended`; `sound` is called with one line at each drop-out. Returns the watch."""
    with _Watch(session) as watch:
        wiggling = Wiggle(watch.layout, input_values(session, session.panel), parts)
        raw = [key.partition(".") for key in wiggling.raw_wanted()]
        for board, _, channel in raw:
            watch.bench.raw(watch.sources[board], channel, True)
        while not ended():
            for event in watch.events(LOOK_S):
                for change, how in _changes(watch.names, event):
                    if wiggling.heard(change, how):
                        label = watch.layout.spots[change.channel].part.label
                        sound(f"{change.channel}: “{label}” drop-out {wiggling.watched[change.channel].count}")
        for board, _, channel in raw:
            watch.bench.raw(watch.sources[board], channel, False)
    return wiggling


def _changes(names: dict[int, str], event: ev.Event) -> list[tuple[Change, str]]:
    board = names.get(event.source)
    if board is None:
        return []
    if isinstance(event, ev.Moved):
        return [
            (Change(event.at_us, f"{board}.{id_}", value, event.clock_us), "is") for id_, value in event.values.items()
        ]
    if isinstance(event, ev.Edge):
        return [(Change(event.at_us, f"{board}.{event.channel}", event.level, event.clock_us), "edge")]
    return []


def soak(
    session: Session,
    ended: Callable[[], bool],
    tell: Callable[[str], None],
    step_s: float = STEP_S,
) -> tuple[list[Strained], float, int]:
    """Light everything in turns until `ended`; `tell` gets one line for each thing that goes wrong, as it does.

    Returns how each board has borne it, how long it lasted in seconds, and how many steps were lit.
    """
    with _Watch(session) as watch:
        steps = load_steps(session.panel)
        if len(steps) < 2:
            raise Trouble("there is nothing to light: the panel has no lamp and no display within its budgets")
        boards = {name: Strained(name) for name in watch.sources}
        outputs = Outputs(watch.layout, watch.bench)
        outputs.sources = watch.sources
        began = until = session.now_us()
        count = 0
        wants = Wants()
        said: set[tuple[str, str]] = set()
        while not ended():
            now = session.now_us()
            if now >= until:
                wants = steps[count % len(steps)]
                outputs.apply(wants, lambda failed: None)
                count += 1
                until = now + int(step_s * 1_000_000)
            for event in watch.events(min(LOOK_S, max(0.0, (until - now) / 1e6))):
                _strain(watch, boards, outputs, event, dark=not wants.lamps and not wants.digits)
            for board in boards.values():
                for word, line in board.complaints().items():
                    if (board.name, word) not in said:
                        said.add((board.name, word))
                        tell(line)
        outputs.apply(Wants(), lambda failed: None)
        return list(boards.values()), (session.now_us() - began) / 1e6, count


def _strain(watch: _Watch, boards: dict[str, Strained], outputs: Outputs, event: ev.Event, dark: bool) -> None:
    name = watch.names.get(event.source)
    if name is None or name not in boards:
        return
    board = boards[name]
    if isinstance(event, ev.Alive):
        board.alive(event.supply_mv, event.bad_lines, event.worst_loop_us, dark)
    elif isinstance(event, ev.Boot):
        board.booted(event.cause)
        outputs.forget(name)
    elif isinstance(event, ev.Odd):
        board.bad_here += 1
    elif isinstance(event, ev.Gap):
        board.missing += event.missing
    elif isinstance(event, ev.Link) and event.word == "lost":
        board.lost += 1
        outputs.forget(name)
