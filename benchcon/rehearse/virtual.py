"""A scenario on simulated boards in virtual time: as fast as possible, and always with the same records.

The boards are those of `benchcon.rig`, and the link's own `Talk` speaks with each, with its limits, repeats and pings.
Only what lies between is replaced: a cable without a port, and a loop with a virtual clock.
"""

from __future__ import annotations

import heapq
import itertools
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from benchcon.errors import Trouble
from benchcon.link.conversation import Talk
from benchcon.link.limits import Together, allowance_of
from benchcon.link.outputs import BoardOutputs
from benchcon.link.records import link_record
from benchcon.link.share import Share
from benchcon.link.stream import Follower, Listener, Stream
from benchcon.panel.model import Panel
from benchcon.panel.supplies import Switched
from benchcon.rehearse.rehearsal import Rehearsal, ToDo
from benchcon.rehearse.rules_file import Rules
from benchcon.rehearse.scenario import Move, Scenario, SupplyStep
from benchcon.rehearse.showing import outputs_of
from benchcon.rig.board import SimBoard
from benchcon.rig.control import obey
from benchcon.rig.wiring import wiring
from benchcon.state import BenchState
from benchcon.wire.codec import RATE
from benchcon.wire.events import Event
from benchcon.wire.host import PING_MOST_US
from benchcon.wire.observer import Observer
from benchcon.wire.records import BENCH, NOTE, Batch
from benchcon.wire.silence import DEADMAN_MS

if TYPE_CHECKING:
    from benchcon.rig.faults import Fault

READY_US = 10_000_000
"""Time within which boards must have described themselves; otherwise they count as not answering."""
TAIL_US = 300_000
"""Time after the last step, for everything that is under way."""


class _Timer:
    def __init__(self, action: Callable[[], object]) -> None:
        self.action: Callable[[], object] | None = action

    def cancel(self) -> None:
        """Drop the call."""
        self.action = None


class Loop:
    """As much of an event loop as a `Talk` needs: its clock, and calls at a time."""

    def __init__(self) -> None:
        self.now_us = 0
        self._heap: list[tuple[int, int, _Timer]] = []
        self._count = itertools.count()

    def time(self) -> float:
        """Return the time in seconds."""
        return self.now_us / 1e6

    def call_at(self, at_s: float, action: Callable[[], object]) -> _Timer:
        """Call `action` at `at_s`, in seconds of `time`."""
        timer = _Timer(action)
        heapq.heappush(self._heap, (-int(-at_s * 1e6 // 1), next(self._count), timer))
        return timer

    def next_us(self) -> int | None:
        """Return when the next call is due, or None."""
        while self._heap and self._heap[0][2].action is None:
            heapq.heappop(self._heap)
        return self._heap[0][0] if self._heap else None

    def run(self) -> None:
        """Make the calls that are due."""
        while (due_us := self.next_us()) is not None and due_us <= self.now_us:
            timer = heapq.heappop(self._heap)[2]
            action, timer.action = timer.action, None
            if action is not None:
                action()


class VirtualCable:
    """Connects a `Talk` with a simulated board, in place of a `Connection`; see there."""

    waiting = False
    rate = RATE

    def __init__(self, board: SimBoard, loop: Loop) -> None:
        self.board = board
        self.port = f"simulated:{board.name}"
        self.heard: Callable[[bytes, int], None] = lambda data, at_us: None
        self.drained: Callable[[], None] = lambda: None
        self.gone: Callable[[str], None] = lambda why: None
        self.moving = True
        """Whether anything may be on its way in either direction."""
        self._loop = loop
        self._down: list[bytes] = []
        self._next_us: int | None = 0
        self._stale = True

    def send(self, data: bytes) -> bool:
        """Put lines on their way; they arrive with the next `carry`, after the talk has recorded them."""
        self._down.append(data)
        self.moving = True
        return True

    def rest(self, seconds: float) -> None:
        """Do nothing, since nothing floods this bench."""

    async def set_rate(self, rate: int) -> None:
        """Do nothing, since this cable has no rate."""

    def carry(self) -> bool:
        """Deliver what is on its way in either direction; return whether anything was."""
        down, self._down = self._down, []
        self.moving = False
        for data in down:
            self.board.feed(data, self._loop.now_us)
            self._stale = True
        up = self.board.take()
        if up:
            self.heard(up, self._loop.now_us)
        return bool(down or up)

    def touched(self) -> None:
        """Note that a hand or a fault has done something to the board."""
        self.moving = self._stale = True

    def next_us(self) -> int | None:
        """Return when the board has something to do."""
        if self._stale:
            self._next_us = self.board.next_us()
            self._stale = False
        return self._next_us

    def run(self, now_us: int) -> None:
        """Let the board do what is due up to now."""
        due_us = self.next_us()
        if due_us is not None and due_us <= now_us:
            self.board.run(now_us)
            self.touched()


class VirtualBench:
    """The boards of a panel, simulated in this process, and a `Talk` with each."""

    watched = False
    listen_only = False
    leaving = False
    only_dark = False
    deadman_ms: int | None = DEADMAN_MS
    ping_every_us = PING_MOST_US

    def __init__(
        self,
        panel: Panel,
        observer: Observer,
        take: Follower,
        *,
        seed: int = 0,
        faults: Mapping[str, Sequence[Fault]] | None = None,
    ) -> None:
        """Simulate the boards of `panel`, with `faults` by board name; `take` gets all batches and their events.

        `observer` must be that of the state that `take` feeds, as a bench has only one.
        """
        self.panel = panel
        self.loop = Loop()
        self.share = Share()
        self._stream = Stream(observer, careful=False)
        self._stream.follow(take)
        self.emit = self._stream.emit
        self.boards = {
            board.name: SimBoard(wiring(panel, board.name), seed=seed, faults=(faults or {}).get(board.name, ()))
            for board in panel.boards
        }
        self._cable_of = {name: VirtualCable(board, self.loop) for name, board in self.boards.items()}
        self.cables = list(self._cable_of.values())
        self.talks: dict[str, Talk] = {}
        self.live: set[str] = set()
        self._together = Together()
        for board in self.boards.values():
            board.start(0)
        self._switched = Switched(panel)
        self._fed = {supply.name: True for supply in panel.supplies}
        self._moves = -1
        for control in panel.controls:
            if control.begins and control.channels:
                self.hand(control.channels[0].board, f"put {control.name} {control.begins}")

    # --- what a talk asks of its hub --------------------------------------------------------------------------------

    def now_us(self) -> int:
        """Return the virtual time since the bench was made."""
        return self.loop.now_us

    def outputs(self, source: int, ident: str) -> BoardOutputs:
        """Return the outputs of a board, with what they may draw once its ident is known."""
        return BoardOutputs(allowance_of(self.panel, ident) if ident else None, self._together)

    def identify(self, talk: Talk, ident: str) -> None:
        """Take the ident that a board gave."""
        talk.is_board(ident, talk.source, self.outputs(talk.source, ident))
        port = talk.connection.port
        self.emit([link_record(self.now_us(), talk.source, "ident", ident=ident, port=port, rate=VirtualCable.rate)])

    def renamed(self, talk: Talk, ident: str) -> None:
        """Do nothing, since the board will be asked who it is next."""

    # --- time -------------------------------------------------------------------------------------------------------

    def open(self) -> None:
        """Open all cables, and bring the boards up. Raises `Trouble` if one does not answer."""
        for source, cable in enumerate(self.cables, 1):
            talk = Talk(self, cable, source)
            self.talks[cable.board.firmware.name] = talk
            opened = link_record(self.now_us(), source, "opened", port=cable.port, rate=cable.rate)
            self.emit([opened, link_record(self.now_us(), source, "asking", port=cable.port)])
            talk.bring_up()
        while len(self.live) < len(self.talks):
            self.settle()
            due_us = self.next_us()
            if due_us is None or due_us > READY_US:
                missing = [name for name in self.talks if name not in self.live]
                raise Trouble(f"simulated board '{missing[0]}' does not answer; do its faults prevent that?")
            self.go_to(due_us)

    def next_us(self) -> int | None:
        """Return when something next happens by itself, or None."""
        soonest = self.loop.next_us()
        if self._fed and (starts_us := self._switched.next_us(self.loop.now_us)) is not None:
            soonest = starts_us if soonest is None else min(soonest, starts_us)
        for cable in self.cables:
            due_us = cable.next_us()
            if due_us is not None and (soonest is None or due_us < soonest):
                soonest = due_us
        return soonest

    def go_to(self, now_us: int) -> None:
        """Go to a time, before which nothing must be due; boards and talks do what is due then."""
        self.loop.now_us = max(now_us, self.loop.now_us)
        for cable in self.cables:
            cable.run(now_us)
        if self._fed:
            self._switch_supplies(now_us)
        self.loop.run()

    def _switch_supplies(self, now_us: int) -> None:
        """Set the supplies that the panel's controls switch, as `benchcon.rig.supply_switching` does."""
        moves = sum(board.physics.moves for board in self.boards.values())
        if moves == self._moves and self._switched.next_us(now_us - 1) is None:
            return
        self._moves = moves
        positions: dict[str, int] = {}
        for board in self.boards.values():
            positions |= board.physics.positions
        for name, on in self._switched.on(positions, now_us).items():
            if on == self._fed[name]:
                continue
            self._fed[name] = on
            (supply,) = (each for each in self.panel.supplies if each.name == name)
            for fed in supply.feeds:
                self._feed(fed, on)

    def _feed(self, name: str, on: bool) -> None:
        part = None if name in self.boards else outputs_of(self.panel)[name]
        board = name if part is None else part.channel.board
        millivolts = self.boards[board].wiring.supply_mv if on else 0
        self.hand(board, f"supply {millivolts}" + (f" {part.channel.id}" if part is not None else ""))

    def settle(self) -> None:
        """Deliver bytes until none are on their way."""
        cables = self.cables
        while True:
            for cable in cables:
                if cable.moving:
                    break
            else:
                return
            for cable in self.cables:
                if cable.moving and cable.carry():
                    cable.moving = True
            for name, talk in self.talks.items():
                if not talk.live:
                    self._see_to(name, talk)

    def _see_to(self, name: str, talk: Talk) -> None:
        """Let a board that is brought up go live, and ask one that was reset and did not answer again."""
        if talk.host.stage in ("ready", "rereading"):
            talk.go_live()
            self.live.add(name)
        elif name in self.live and talk.host.stage == "mute":
            talk.bring_up()

    # --- intents ----------------------------------------------------------------------------------------------------

    def want(self, name: str, values: Mapping[str, int | bytes]) -> None:
        """Set outputs of a board to these values: channel → level in permille, or segments."""
        numbers = {id_: v if isinstance(v, int) else int.from_bytes(v, "big") for id_, v in values.items()}
        self.talks[name].want(numbers, lambda outcome: None)

    def hand(self, name: str, words: str) -> None:
        """Let the simulated hand of a board do something. Raises `Trouble` if it cannot."""
        answers: list[str] = []
        obey(self.boards[name], words.encode(), self.now_us(), answers.append)
        self._cable_of[name].touched()
        if answers and not answers[0].startswith("ok"):
            raise Trouble(f"the simulated hand of {name} cannot '{words}': {answers[0].removeprefix('no ')}")


class VirtualRun:
    """One scenario on simulated boards in virtual time; `listener` is called with every batch."""

    def __init__(self, scenario: Scenario, rules: Rules) -> None:
        self.scenario = scenario
        self.state = BenchState(scenario.panel.text, scenario.panel.digest)
        self.rehearsal = Rehearsal(scenario, rules, self.state)
        self.listener: Listener = lambda batches: None
        self.bench = VirtualBench(scenario.panel, self.state.observer, self._take)

    def run(self) -> Rehearsal:
        """Play the scenario from beginning to end. Raises `Trouble` if a board does not answer or a hand cannot."""
        bench, rehearsal = self.bench, self.rehearsal
        bench.open()
        rehearsal.begin(bench.now_us())
        self._values(rehearsal.written_values())
        end_us = rehearsal.end_us + TAIL_US
        while True:
            bench.settle()
            now_us = bench.now_us()
            due_us = rehearsal.due_us(now_us)
            if due_us is not None and due_us <= now_us:
                self._do(rehearsal.advance(now_us))
                continue
            bench_us = bench.next_us()
            if due_us is None or (bench_us is not None and bench_us < due_us):
                due_us = end_us if bench_us is None else max(bench_us, now_us)
            if due_us > end_us:
                break
            bench.go_to(due_us)
        for name in bench.talks:
            bench.talks[name].dark(lambda outcome: None)
        bench.settle()
        return rehearsal

    def _take(self, batches: list[Batch], happened: list[Sequence[Event]]) -> None:
        for batch, events in zip(batches, happened, strict=True):
            self.state.take(batch, events)
            if events and batch.source != BENCH:
                self.rehearsal.feed(events, batch.at_us)
        self.listener(batches)

    def _values(self, values: Mapping[str, str]) -> None:
        if values:
            detail: dict[str, Any] = dict(values)
            self.bench.emit([link_record(self.bench.now_us(), BENCH, "values", **detail)])

    def _do(self, todo: ToDo) -> None:
        bench = self.bench
        self._values(todo.values)
        for board, values in todo.wants.items():
            bench.want(board, values)
        for move in todo.moves:
            for board, words in hand_words(move):
                bench.hand(board, words)
        for broken in todo.broken:
            bench.emit([Batch(bench.now_us(), BENCH, NOTE, [broken_note(broken.message)])])


def hand_words(move: Move | SupplyStep) -> list[tuple[str, str]]:
    """Return (board, words for its simulated hand) for each board that a move concerns (`protocols/hand.md`)."""
    if not isinstance(move, Move):
        return [(move.board, f"supply {move.millivolts}")]
    if move.verb in ("press", "release"):
        words = f"{move.verb} {move.control}"
    elif move.verb == "share":
        words = f"put {move.control} {move.to / 10:g}%"
    elif move.verb == "turn":
        words = f"turn {move.control} {move.to}"
    else:
        words = f"put {move.control} {move.to}"
    return [(board, words) for board in move.boards]


def broken_note(text: str) -> bytes:
    """Return the body of the note that marks a broken expectation in a capture."""
    from benchcon.text import printable

    return f"expectation {printable(text)}".encode()
