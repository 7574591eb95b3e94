"""The wiggle test and the soak on a real bench. The command and the console both use these."""

from __future__ import annotations

import contextlib
import queue
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping

from benchcon.diagnosis.layout import PanelIndex
from benchcon.errors import Trouble
from benchcon.panel.model import Panel
from benchcon.session import Session
from benchcon.walk import occupied
from benchcon.walk.channel_changes import PanelBoards
from benchcon.walk.outputs import OFF_S, WalkOutputs
from benchcon.walk.soak import STEP_S, BoardHealth, Soaking, load_steps
from benchcon.walk.wiggle import Wiggle
from benchcon.wire import events as ev

LOOK_S = 0.2
"""Longest time between calls of a face, and between checks whether to end."""


class _Watch:
    """Hands the events of a live session to the calling thread."""

    def __init__(self, session: Session, panel: Panel, what: str) -> None:
        if session.bench is None:
            raise Trouble("a capture cannot be watched like this; plug a board in")
        self.session, self.bench, self.what = session, session.bench, what
        self.layout = PanelIndex.of(panel)
        self.panel_boards = PanelBoards(session, panel)
        self._inbox: queue.SimpleQueue[list[ev.Event]] = queue.SimpleQueue()

    def __enter__(self) -> _Watch:
        self._end = self.session.subscribe(self._inbox.put)
        self.bench.note(*occupied.begins(self.what))
        self.panel_boards.meet()
        return self

    def __exit__(self, *_: object) -> None:
        self.bench.beat(self.what, last=True)
        self.bench.note(*occupied.ends(self.what))
        self._end()

    def events(self, at_most_s: float) -> list[ev.Event]:
        """Return the events that came, after waiting up to `at_most_s` for the first.

        It must be called regularly: what a test lit goes dark when the test hangs, even if a person is at the screen.
        """
        self.bench.beat(self.what)
        try:
            found = self._inbox.get(timeout=at_most_s)
        except queue.Empty:
            return []
        if any(isinstance(event, ev.Link) and event.word == "ident" for event in found):
            self.panel_boards.meet()
        return found


def wiggle(
    session: Session,
    parts: Collection[str],
    ended: Callable[[], bool],
    sound: Callable[[str], None],
    look: Callable[[Wiggle, int], None] = lambda watch, now_us: None,
    panel: Panel | None = None,
) -> Wiggle:
    """Watch inputs until `ended` returns True, and call `sound` with one line at each drop-out. Return the watch.

    `parts` are names of controls, or channels as ``board.id``; none means every input. `look` is called with the watch
    and the time several times a second. All calls are on the caller's thread. `panel` replaces the session's.
    """
    with _Watch(session, panel or session.panel, occupied.WIGGLE) as watch:
        panel_boards = watch.panel_boards
        wiggling = Wiggle(watch.layout, panel_boards.values(), parts, session.now_us())
        raw = [key.partition(".") for key in wiggling.raw_wanted()]
        listening = {board for board, _, _ in raw}
        for board, _, channel in raw:
            watch.bench.raw(panel_boards.sources[board], channel, True)
        look(wiggling, session.now_us())
        try:
            while not ended():
                for event in watch.events(LOOK_S):
                    name = panel_boards.names.get(event.source, "")
                    for change, how in panel_boards.changes(event):
                        if wiggling.heard(change, how):
                            label = watch.layout.spots[change.channel].part.label
                            sound(f"{change.channel}: “{label}” drop-out {wiggling.watched[change.channel].count}")
                    if isinstance(event, ev.Boot) or (isinstance(event, ev.Link) and event.word == "lost"):
                        if name in listening:
                            listening.discard(name)
                            wiggling.upset(name)
                            sound(f"{name}: the board was reset or is gone; drop-outs meanwhile are not counted")
                    elif name and name not in listening and _tells_again(event) and panel_boards.known(name):
                        # The board is back and has forgotten that raw edges were asked for.
                        listening.add(name)
                        for board, _, channel in raw:
                            if board == name:
                                watch.bench.raw(panel_boards.sources[board], channel, True)
                        wiggling.rest_again(name, panel_boards.values(), session.now_us())
                wiggling.tick(session.now_us())
                look(wiggling, session.now_us())
        finally:
            for board, _, channel in raw:
                watch.bench.raw(panel_boards.sources[board], channel, False)
    return wiggling


def _tells_again(event: ev.Event) -> bool:
    return isinstance(event, ev.Answered) and event.words[:1] == ("read",)


def soak(
    session: Session,
    ended: Callable[[], bool],
    tell: Callable[[str], None],
    step_s: float = STEP_S,
    look: Callable[[Soaking], None] = lambda soaking: None,
    panel: Panel | None = None,
) -> tuple[list[BoardHealth], float, int]:
    """Light everything in turns until `ended` returns True; `tell` gets a line as soon as anything goes wrong.

    Returns the counters of each board, the duration in seconds, and the number of steps lit. `look` is called with the
    state several times a second. All calls are on the caller's thread. However it ends, everything is off afterwards.
    """
    panel = panel or session.panel
    with _Watch(session, panel, occupied.SOAK) as watch:
        steps = load_steps(panel)
        if len(steps) < 2:
            raise Trouble("there is nothing to light: the panel has no lamp and no display within its budgets")
        panel_boards = watch.panel_boards
        outputs = WalkOutputs(watch.layout, watch.bench)
        outputs.sources = panel_boards.sources
        soaking = Soaking([BoardHealth(name) for name in panel_boards.sources], len(steps))
        boards = {board.name: board for board in soaking.boards}
        _note_supplies(session, panel_boards.names, boards)
        began = until = session.now_us()
        said: set[tuple[str, str]] = set()
        came: queue.SimpleQueue[str] = queue.SimpleQueue()
        try:
            while not ended():
                now = session.now_us()
                if now >= until:
                    soaking.next_step(steps)
                    outputs.apply(soaking.wants, came.put)
                    until = now + int(step_s * 1_000_000)
                for event in watch.events(min(LOOK_S, max(0.0, (until - now) / 1e6))):
                    health = boards.get(panel_boards.names.get(event.source, ""))
                    if health is not None:
                        _count(health, outputs, event, soaking.dark)
                while not came.empty():
                    soaking.refused = came.get()
                    if soaking.refused:
                        outputs.forget_all()  # so that the next step sets everything again
                for name in panel_boards.sources:
                    if name not in boards:
                        boards[name] = BoardHealth(name)
                        soaking.boards.append(boards[name])
                for line in _new_complaints(soaking.boards, said):
                    tell(line)
                soaking.seconds = (session.now_us() - began) / 1e6
                look(soaking)
        finally:
            off: queue.SimpleQueue[str] = queue.SimpleQueue()
            outputs.off(off.put)
            with contextlib.suppress(queue.Empty):
                off.get(timeout=OFF_S)
        return soaking.boards, (session.now_us() - began) / 1e6, soaking.count


def _note_supplies(session: Session, names: Mapping[int, str], boards: Mapping[str, BoardHealth]) -> None:
    """Count the boards that have no supply by now, which is then known even if the soak ends before a heartbeat."""
    with session.lock:
        for source, name in names.items():
            known = session.state.boards.get(source)
            if known is not None and known.no_supply:
                boards[name].heartbeats = boards[name].no_supply = 1


def _new_complaints(boards: Iterable[BoardHealth], said: set[tuple[str, str]]) -> Iterator[str]:
    """Yield what is wrong with the boards, each thing once: `said` holds what was said already."""
    for board in boards:
        for word, line in board.complaints().items():
            if (board.name, word) not in said:
                said.add((board.name, word))
                yield line


def _count(board: BoardHealth, outputs: WalkOutputs, event: ev.Event, dark: bool) -> None:
    if isinstance(event, ev.Alive):
        board.alive(event.supply_mv, event.bad_lines, event.worst_loop_us, dark)
    elif isinstance(event, ev.Boot):
        board.booted(event.cause)
        outputs.forget(board.name)
    elif isinstance(event, ev.Odd):
        board.bad_here += 1
    elif isinstance(event, ev.Gap):
        board.missing += event.missing
    elif isinstance(event, ev.Link) and event.word == "lost":
        board.lost += 1
        board.cut_off()
        outputs.forget(board.name)
