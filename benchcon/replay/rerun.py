"""Replaying a capture on boards: doing again what was done then, and comparing the results.

The host's requests are sent at the recorded times, or as fast as the window and the limits on flashing and current
allow; they go through the link, so its limits hold. Inputs are moved by a simulated hand, or by the user, who is asked.
If there is neither, these steps are left out and reported.
"""

from __future__ import annotations

import bisect
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor, wait
from dataclasses import dataclass, field, replace
from typing import Any, Protocol

from benchcon.errors import Trouble
from benchcon.link import Bench
from benchcon.panel.model import Control, Panel
from benchcon.panel.reading import PASSING_US
from benchcon.replay.answers import answers_of
from benchcon.replay.compare import COUNTS, Comparison, compare
from benchcon.replay.script import JOIN_US, ReplayedMove, Requested, Script
from benchcon.replay.tracks import Recording, Tracks
from benchcon.state.board import find_channel
from benchcon.state.changes import REFUSED
from benchcon.text import about, printable
from benchcon.wire.host import Outcome
from benchcon.wire.items import digits_in
from benchcon.wire.records import Batch

LEAD_US = 300_000
TAIL_US = 1_000_000
"""How long boards are watched after the last step, if the capture goes on that long."""
READY_S = 30.0
SETTLE_S = 5.0
"""Longest wait for inputs to settle; hands, bouncing contacts and filters of potentiometers take much less."""
ANSWER_S = 10.0
REPLAY = "replay"
"""The name under which the replay calls `Bench.beat`."""
BEAT_S = 0.2
"""How often it does so, whatever it waits for."""
TOLERANCE_US = 150_000
"""Default tolerance: hands and a busy computer take some time."""


class MovesParts(Protocol):
    """Whatever moves the inputs of one board, such as a `benchcon.rig.hand.Hand`."""

    def press(self, part: str) -> None:
        """Press a button, or make a contact."""

    def release(self, part: str) -> None:
        """Release a button, or open a contact."""

    def put(self, part: str, position: int) -> None:
        """Move a switch to a position, or a potentiometer to a reading."""

    def turn(self, part: str, detents: int) -> None:
        """Turn an encoder by so many detents, to the left if below 0."""


@dataclass(frozen=True, slots=True)
class RerunOptions:
    """How a capture is replayed and compared."""

    fast: bool = False
    """Whether to go as fast as possible instead of at the recorded times; only order counts then."""
    tolerance_us: int = TOLERANCE_US
    counts: int = COUNTS
    ignore: tuple[str, ...] = ()
    ask: Callable[[str], bool] | None = None
    """Asks the user to do something, waits for that, and returns whether it was done; None: nobody can be asked."""


@dataclass(slots=True)
class Rerun:
    """The result of a replay."""

    comparison: Comparison
    answers: list[str] = field(default_factory=list)
    """Answers that differ from the recorded ones, one line each."""
    held: list[str] = field(default_factory=list)
    """Requests that the limits held back, one line each; they do not count as differences."""
    left_out: list[str] = field(default_factory=list)
    """Steps that could not be done again, one line each."""
    dark: bool = True
    """Whether every board has confirmed that it is dark afterwards."""

    @property
    def same(self) -> bool:
        """Whether the boards did the same as in the capture."""
        return not self.comparison.count and not self.answers


def rerun(
    script: Script,
    then: Recording,
    ports: Sequence[str],
    hands: Mapping[str, MovesParts],
    how: RerunOptions,
    panel: Panel | None = None,
    when_ended: Callable[[Callable[[], object]], None] = lambda do: None,
    left: Callable[[bool], object] = lambda dark: None,
) -> Rerun:
    """Replay `script` on the boards at `ports`, and compare the result with `then`, the capture's own tracks.

    `hands`: ident of a board → its hand. `when_ended` is called with a function that makes all boards dark, to be
    called when a signal ends the program. `left` is called at the end, in any case, with whether every board has
    confirmed dark. Raises `Trouble` if the boards are not there.
    """
    bench = Bench(ports, panel=panel or script.panel, keep=False)
    run = _Run(script, bench, hands, how, panel or script.panel)
    when_ended(lambda: bench.dark(for_good=True))
    bench.start()
    try:
        run.find_boards(len(ports))
        run.prepare()
        run.steps()
    finally:
        dark = bench.close()
        left(dark)
        run.end()
    return replace(run.result(then), dark=dark)


class _Run:
    def __init__(
        self, script: Script, bench: Bench, hands: Mapping[str, MovesParts], how: RerunOptions, panel: Panel
    ) -> None:
        self.script, self.bench, self.hands, self.how, self.panel = script, bench, hands, how, panel
        self.tracks = Tracks()
        self.lock = threading.Lock()
        self.moved = threading.Condition(self.lock)
        self.sources: dict[str, int] = {}
        self.renamed: dict[str, str] = {}
        self.asked: list[tuple[Requested, Future[Outcome]]] = []
        self.left_out: dict[str, int] = {}
        self.unmoved: set[str] = set()
        self.left: dict[str, int] = {}
        self.counts: dict[str, int] = {}
        self.base_us = self.start_us = 0
        self.workers: dict[str, ThreadPoolExecutor] = {}
        self.moves: list[tuple[ReplayedMove, Future[None]]] = []
        bench.subscribe(self._take)

    def _take(self, batches: list[Batch]) -> None:
        with self.lock:
            for batch in batches:
                self.tracks.feed(batch)
            self.moved.notify_all()

    # --- before -----------------------------------------------------------------------------------------------------

    def find_boards(self, count: int) -> None:
        """Wait until every port is live, and find the capture's boards. Raises `Trouble` if that fails."""
        self.bench.wait(
            lambda ports: len(ports) == count and all(p.stage == "live" or p.failed for p in ports), READY_S
        )
        for port in self.bench.ports():
            if port.stage != "live":
                raise Trouble(about(printable(port.port), port.text or "no board answers here"))
        found = {port.ident: port.source for port in self.bench.ports()}
        self.sources = {name: found[name] for name in self.script.boards if name in found}
        if not self.sources and len(found) == 1 and len(self.script.boards) == 1:
            # One board then, one now: it is the one, whatever its name is today.
            ((ident, source),) = found.items()
            self.sources = {self.script.boards[0]: source}
            self.renamed = {printable(ident): printable(self.script.boards[0])}
        if not self.sources:
            raise Trouble(f"{self.script.path}: recorded from {_list(self.script.boards)}; connected: {_list(found)}")
        steps = [step.board for step in self.script.steps]
        for name in self.script.boards:
            if name not in self.sources:
                self.left_out[f"{printable(name)} is not connected: {steps.count(name)} steps of it"] = 1

    def prepare(self) -> None:
        """Bring the boards to the state in which the capture began, and wait for at most `SETTLE_S` until they are.

        Whatever cannot be brought to that state is found as a difference later.
        """
        lit: list[Future[Outcome]] = []
        self.bench.beat(REPLAY)
        for name, source in self.sources.items():
            if name in self.script.began_dark:
                # Wait for it, or its effect would later be taken for something that the board did.
                self._wait(self.bench.ask(source, ("dark",)))
            else:
                self._wait(self.bench.light(source))
            for channel, value in self.script.lit.get(name, {}).items():
                width = self._width(source, channel)
                lit.append(self.bench.ask(source, ("set", f"{channel}={value:0{width}X}")))
        for move in self.script.stood:
            if move.board in self.sources:
                self._move(move)
        self._wait_for_moves()
        for future in lit:
            self._wait(future)
        with self.moved:
            self._waited(lambda at_most_s: self.moved.wait_for(lambda: not self._misplaced(), at_most_s), SETTLE_S)

    def _misplaced(self) -> list[str]:
        """Return the inputs that were moved to their first positions, but are reported elsewhere by their boards."""
        misplaced = []
        for name, source in self.sources.items():
            for channel_id, value in self.script.began.get(name, {}).items():
                channel = find_channel(self.tracks.changes.state.boards, source, channel_id)
                full = f"{printable(name)}.{printable(channel_id)}"
                if channel is None or full in self.unmoved:
                    continue
                nearby = self.how.counts if channel.kind == "pot" else 0
                if channel.signed is None or abs(channel.signed - value) > nearby:
                    misplaced.append(full)
        return misplaced

    def _width(self, source: int, channel: str) -> int:
        with self.lock:
            state = find_channel(self.tracks.changes.state.boards, source, channel)
            if state is None or state.kind != "display":
                return 3
            return 2 * digits_in(state.detail)

    # --- the steps --------------------------------------------------------------------------------------------------

    def steps(self) -> None:
        """Do the capture's steps again, at their times or, with `RerunOptions.fast`, one right after the other."""
        steps = [step for step in self.script.steps if step.board in self.sources]
        self.base_us = max(0, steps[0].at_us - LEAD_US) if steps else 0
        self.start_us = self.bench.now_us()
        shift_us = self.start_us - self.base_us
        for step in steps:
            if not self.how.fast:
                self._sleep_until(step.at_us + shift_us)
            if isinstance(step, Requested):
                self.asked.append((step, self.bench.ask(self.sources[step.board], step.words)))
                if self.how.fast:
                    self._wait(self.asked[-1][1])
            else:
                asked_us = self.bench.now_us()
                self._move(step)
                if self.how.fast:
                    self._wait_for_moves()
                    self._sleep_until(self.bench.now_us() + int(self._rest_s(step) * 1e6))
                elif self.how.ask is not None:
                    shift_us += self.bench.now_us() - asked_us
        self._wait_for_moves()
        for _, future in self.asked:
            self._wait(future)
        self._sleep_until(self.bench.now_us() + TAIL_US // (4 if self.how.fast else 1))

    def _rest_s(self, move: ReplayedMove) -> float:
        """Return how long to leave a part alone after a move, with `RerunOptions.fast`, so that each is reported."""
        if move.kind == "turn" or move.sweeps:
            return 1.5 * JOIN_US / 1e6
        if move.kind == "put" and len(move.channels) > 2:
            return 1.5 * PASSING_US / 1e6
        control = self.panel.part(move.part)
        debounce_ms = control.debounce_ms if isinstance(control, Control) else 10.0
        return 2 * debounce_ms / 1000 + 0.03

    def _sleep_until(self, at_us: int) -> None:
        def slept(at_most_s: float) -> bool:
            time.sleep(at_most_s)
            return False

        self._waited(slept, (at_us - self.bench.now_us()) / 1e6)

    def _wait(self, future: Future[Any], most_s: float = ANSWER_S) -> bool:
        """Wait for `future`; return whether it is done within that time."""
        return self._waited(lambda at_most_s: bool(wait((future,), at_most_s).done), most_s)

    def _waited(self, came: Callable[[float], bool], most_s: float) -> bool:
        """Return whether `came`, which waits for as many seconds as it is given, returns True within that time.

        All waiting is done here, and here `Bench.beat` is called: a replay that hangs anywhere else must not keep lamps
        lit.
        """
        ends = time.monotonic() + most_s
        while (left_s := ends - time.monotonic()) > 0:
            self.bench.beat(REPLAY)
            if came(min(left_s, BEAT_S)):
                return True
        self.bench.beat(REPLAY)
        return came(0)

    def _move(self, move: ReplayedMove) -> None:
        """Move an input by hand, or ask the user to."""
        hand = self.hands.get(move.board)
        if hand is not None:
            worker = self.workers.get(move.board)
            if worker is None:
                worker = self.workers[move.board] = ThreadPoolExecutor(1, "hand")
            self.moves.append((move, worker.submit(self._by_hand, hand, move)))
        elif self.how.ask is None or not self._asked(self.how.ask, move):
            key = f"{printable(move.board)}.{printable(move.part)}"
            if key not in self.left or move.at_us:
                self.left[key] = self.left.get(key, 0) + bool(move.at_us)
            self.unmoved |= {f"{printable(move.board)}.{printable(channel)}" for channel in move.channels}

    def _asked(self, ask: Callable[[str], bool], move: ReplayedMove) -> bool:
        """Ask the user, without a time limit; return whether it was done."""
        self.bench.beat(REPLAY, last=True)
        try:
            return ask(words_of(move))
        finally:
            self.bench.beat(REPLAY)

    def _by_hand(self, hand: MovesParts, move: ReplayedMove) -> None:
        if move.kind == "press":
            (hand.press if move.value else hand.release)(move.part)
        elif move.kind == "turn":
            # A hand turns whole detents: the remaining counts are added to the next turn.
            total = self.counts.get(move.part, 0) + (move.value if move.counts > 0 else -move.value)
            detents = int(total / abs(move.counts))
            self.counts[move.part] = total - detents * abs(move.counts)
            if detents:
                hand.turn(move.part, detents)
        else:
            hand.put(move.part, move.value)

    def _wait_for_moves(self) -> None:
        for move, future in self.moves:
            try:
                self._wait(future, READY_S)
                future.result(0)
            except (Trouble, TimeoutError) as error:
                why = printable(str(error)) or "the hand took too long"
                self.left_out[f"{printable(move.board)}.{printable(move.part)}: {why}"] = 1
                self.unmoved |= {f"{printable(move.board)}.{printable(channel)}" for channel in move.channels}
        self.moves.clear()

    def end(self) -> None:
        """Release everything that the hands hold."""
        for worker in self.workers.values():
            worker.shutdown(wait=False, cancel_futures=True)

    # --- after ------------------------------------------------------------------------------------------------------

    def result(self, then: Recording) -> Rerun:
        """Return the result, compared with `then`."""
        with self.lock:
            now = self.tracks.recording("now")
        now.first_us = self.start_us
        for track in now.tracks.values():
            track.board = self.renamed.get(track.board, track.board)
            # Bringing the boards to the first state is not part of what is compared.
            before = max(bisect.bisect_right(track.times, self.start_us) - 1, 0)
            del track.times[:before], track.values[:before]
        now.tracks = {track.name: track for track in now.tracks.values()}
        wanted = {printable(name) for name in self.sources}
        others = [f"{track.board}.*" for track in then.tracks.values() if track.board not in wanted]
        extra = [name for name, track in now.tracks.items() if track.board not in wanted]
        ignore = {
            **dict.fromkeys(self.how.ignore, "ignored (--ignore, or the TOML file beside the capture)"),
            **dict.fromkeys(sorted(self.unmoved), "nobody could move it"),
            f"*.{REFUSED}": "answers are compared one by one",
            **dict.fromkeys(others, "the board is not connected"),
            **dict.fromkeys(extra, "the board is not in the capture"),
        }
        timeless = self.how.fast or self.how.ask is not None
        comparison = compare(
            _from(then, self.base_us),
            now,
            tolerance_us=self.how.tolerance_us,
            counts=self.how.counts,
            ignore=ignore,
            # If steps follow each other at once, whatever the script joins to one move counts as coming to rest.
            rest_us=JOIN_US if timeless else None,
            offset_us=self.start_us - self.base_us,
            order_only=timeless,
            resting=self._turned_past(),
        )
        answers, held = answers_of(self.asked)
        left = [f"{name}: has to be moved, but there is no hand" for name in self.left]
        return Rerun(comparison, answers, held, [*self.script.left_out, *self.left_out, *left])

    def _turned_past(self) -> list[str]:
        """Return the contacts of switches with several positions, which a hand may pass on the way to another."""
        return [
            f"{printable(move.board)}.{printable(channel)}"
            for move in (*self.script.stood, *self.script.steps)
            if isinstance(move, ReplayedMove) and move.kind == "put" and len(move.channels) > 2
            for channel in move.channels
        ]


def _from(recording: Recording, base_us: int) -> Recording:
    """Return the same recording, as if it began at `base_us`."""
    return Recording(
        recording.path,
        max(base_us, recording.first_us),
        recording.last_us,
        recording.tracks,
        recording.problems,
        recording.marks,
    )


def _list(names: Sequence[str] | Mapping[str, int]) -> str:
    return ", ".join(printable(name) for name in names) or "no board"


def words_of(move: ReplayedMove) -> str:
    """Return what to ask a user to do."""
    part = f"{printable(move.part)} on {printable(move.board)}"
    if move.word:
        return f"set {part} to '{printable(move.word)}'"
    if move.kind == "press":
        return f"{'press, or make,' if move.value else 'release, or open,'} {part}"
    if move.kind == "turn":
        detents = round(move.value / move.counts)
        return f"turn {part} by {abs(detents)} detents to the {'right' if detents > 0 else 'left'}"
    return f"set {part} to {'the reading' if move.sweeps else 'position'} {move.value}"
