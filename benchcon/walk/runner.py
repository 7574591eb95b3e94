"""The walk on a real bench: session and face on one side, the machine on the other. The only file here that waits."""

from __future__ import annotations

import queue
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import dataclass
from typing import Any

from benchcon.diagnosis.evidence import Change
from benchcon.errors import Trouble
from benchcon.link import Bench
from benchcon.session import Session
from benchcon.walk import judge, occupied
from benchcon.walk.channel_changes import Hearing
from benchcon.walk.interfaces import Answer, Face, Scene
from benchcon.walk.machine import Walk
from benchcon.walk.outputs import Outputs
from benchcon.walk.supply import Feeding
from benchcon.walk.wants import Wants
from benchcon.wire import events as ev

BLINK_S = 2.0
"""How long a lamp under test blinks before it burns steadily."""
PULSE_US = 250_000
"""How long the proved lamp lights to say that a step was right."""
LONG_US = 600_000
"""A proved button held this long says no."""
STUCK_US = 5_000_000
"""Outputs that are not as wanted after this long are told to the person."""
RETRY_US = 500_000
"""Outputs that could not be set are tried again after this."""
RAW_US = 150_000
"""How long a robot waits for raw edges to be switched on."""


@dataclass(frozen=True, slots=True)
class _Done:
    """Something that was handed to the link came back."""

    what: str
    number: int
    failed: str = ""


class Runner:
    """Runs one walk until it is over or left."""

    def __init__(
        self,
        session: Session,
        walk: Walk,
        face: Face,
        write: Callable[[dict[str, Any]], None] = lambda line: None,
        blink_s: float = BLINK_S,
    ) -> None:
        """`write` gets each journal line as soon as it stands. Raises `Trouble` if the session is no live one."""
        if session.bench is None:
            raise Trouble("a capture cannot be walked; plug a board in")
        self.session, self.walk, self.face, self.write = session, walk, face, write
        self.bench: Bench = session.bench
        self.blink_us = int(blink_s * 1_000_000)
        self.hearing = Hearing(session, walk.panel)
        self.outputs = Outputs(walk.layout, self.bench)
        self.outputs.sources = self.hearing.sources
        self.left = False
        self.turned: Callable[[], None] = lambda: None
        """Called whenever the walk's loop has turned, several times a second."""
        self._inbox: queue.SimpleQueue[list[ev.Event] | Answer | _Done] = queue.SimpleQueue()
        self._raw: set[str] = set()
        self._raw_waiting: set[int] = set()
        self._raw_until = 0
        self._wants_shown = -1
        self._lit = -1
        """Number of the wants that the boards have confirmed."""
        self._dark = False
        """A board refused to light because it is dark."""
        self._retry_us = 0
        self._ready_us = 0
        self._stuck_since = 0
        self._pulse_until = 0
        self._pressed: tuple[int, int] | None = None
        """Since when the answering button is down, and in which step it went down: a press answers no other."""
        self._shown: tuple[Any, ...] = ()
        self._lost: set[str] = set()
        self.feeding = Feeding(self.hearing, walk.layout)
        self._upsets: set[str] = set()
        """Boards that were reset or lost and have not told how they stand since."""

    def run(self) -> bool:
        """Walk. Returns True if the plan was done, False if the person (or the robot) left. Raises `Trouble`."""
        walk = self.walk
        end = self.session.subscribe(self._inbox.put)
        try:
            self.hearing.meet()
            self.feeding.begin()
            self.bench.note(*occupied.begins(occupied.WALK))
            walk.start(self.hearing.values(), self._now())
            self.face.begin(walk.layout, self._inbox.put)
            try:
                self._loop()
            finally:
                self.face.end()
                self._all_off()
                self.bench.note(*occupied.ends(occupied.WALK))
        finally:
            end()
        return not self.left

    def leave(self) -> None:
        """End the walk from another thread; what was done so far is kept."""
        self._inbox.put(Answer("leave"))

    def _loop(self) -> None:
        while True:
            self.turned()
            self._follow()
            if self.left or (self.walk.state == "over" and self.feeding.settled(self._now())):
                return
            try:
                item = self._inbox.get(timeout=self._timeout_s())
            except queue.Empty:
                item = []
            if isinstance(item, list):
                for event in item:
                    self._take(event)
            elif isinstance(item, Answer):
                self._answer(item)
            else:
                self._came_back(item)
            self._tick(self._now())

    def _now(self) -> int:
        return self.session.now_us()

    def _timeout_s(self) -> float:
        dues = [due for due in (self.walk.due_us(), self._pulse_until or None) if due is not None]
        if self.walk.state in ("light", "look") and self.walk.wants.blink:
            dues.append(self._ready_us + self.blink_us)
        if self._raw_waiting:
            dues.append(self._raw_until)
        return min(0.5, max(0.0, (min(dues) - self._now()) / 1e6)) if dues else 0.5

    # --- up --------------------------------------------------------------------------------------------------------

    def _take(self, event: ev.Event) -> None:
        if isinstance(event, ev.Link):
            self._link(event)
        board = self.hearing.names.get(event.source)
        if board is None:
            return
        for change, how in self.hearing.changes(event):
            self._hear(change, how)
        self.feeding.heard(event, self.walk)
        if isinstance(event, ev.Boot):
            self.hearing.was_reset(board)
            self._upset(board)
        elif isinstance(event, ev.Answered) and event.words[:1] == ("read",):
            self._read_again(board, event.at_us)

    def _hear(self, change: Change, how: str) -> None:
        walk, at_us = self.walk, change.at_us
        while (due := walk.due_us()) is not None and due <= at_us:
            walk.tick(due)
        if how == "is" and walk.state == "look":
            self._by_button(change)
        walk.heard(change, at_us, how)

    def _link(self, event: ev.Link) -> None:
        board = self.hearing.names.get(event.source)
        if event.word == "lost" and board is not None:
            self._upset(board)
            self._lost.add(board)
            self.face.warn(f"board '{board}' is gone: plug it in again, and the walk goes on")
        elif event.word == "ident":
            self.hearing.meet()

    def _upset(self, board: str) -> None:
        """The board was reset or is gone: what it showed counts no more, and the group at hand is asked again."""
        self._upsets.add(board)
        self.outputs.forget(board)
        self._raw = {key for key in self._raw if not key.startswith(f"{board}.")}

    def _read_again(self, board: str, at_us: int) -> None:
        if not self.hearing.known(board):
            return
        values = self.hearing.values()
        mine = {key: value for key, value in values.items() if key.startswith(f"{board}.")}
        if board not in self._upsets:
            self.walk.set_values(mine, at_us)
            return
        self._upsets.discard(board)
        if board in self._lost:
            self._lost.discard(board)
            self.face.warn(f"board '{board}' is back")
        self.walk.values.update(mine)
        self._wants_shown = self._lit = -1
        if not self._upsets:
            self.walk.again(self._now())

    def _by_button(self, change: Change) -> None:
        """A proved button answers: short yes, long no (of a lamp: it does not light; else the screen must say more)."""
        walk, at_us = self.walk, change.at_us
        name = walk.answer_button
        if not name or change.channel not in walk.layout.channels_of(name):
            return
        if judge.reads(walk.layout, (name,), 1, {**walk.values, change.channel: change.value}):
            self._pressed = at_us, walk.step_number
        elif self._pressed is not None:
            (since_us, step), self._pressed = self._pressed, None
            if step != walk.step_number:
                return
            if at_us - since_us < LONG_US:
                walk.looked(at_us)
            elif walk.step is not None and walk.step.do == "lamp":
                self.feeding.looked(walk, False, at_us)
                walk.looked_otherwise(at_us)  # it does not light
            else:
                self.face.sound("wrong")
                self.face.warn("no: say on the screen what there is to be seen")

    # --- from the face ---------------------------------------------------------------------------------------------

    def _answer(self, answer: Answer) -> None:
        walk, now = self.walk, self._now()
        if answer.word == "leave":
            self.left = True
        elif answer.word == "note":
            walk.note(answer.text)
        elif answer.step not in (0, walk.step_number):
            return  # it answers a step that is over
        elif self._upsets and answer.word in ("acting", "done", "same", "otherwise"):
            return  # a board is away: what is done now proves nothing, and is asked again when it is back
        elif answer.word == "acting":
            walk.acting()
        elif answer.word == "done":
            walk.said(now)
        elif answer.word == "same":
            self.feeding.looked(walk, True, now)
            walk.looked(now)
        elif answer.word == "otherwise":
            self.feeding.looked(walk, False, now)
            walk.looked_otherwise(now, answer.lamps, answer.displays, answer.level, answer.flickering)
        elif answer.word == "skip":
            walk.skip(now)
        elif answer.word == "not wired":
            walk.not_wired(now)
        elif answer.word == "again":
            if self._dark:
                self.bench.light()
            walk.again(now)
        elif answer.word == "back":
            walk.back(now)

    # --- down ------------------------------------------------------------------------------------------------------

    def _tick(self, now: int) -> None:
        walk = self.walk
        while (due := walk.due_us()) is not None and due <= now:
            walk.tick(due)
        if self._pulse_until and now >= self._pulse_until:
            self._pulse_until = 0
            self.outputs.pulse = ""
            self.outputs.apply(walk.wants, lambda failed: None)
        if walk.wants.blink and walk.state == "look" and now >= self._ready_us + self.blink_us:
            walk.steady()
        if self._retry_us and now >= self._retry_us and not self._upsets:
            self._retry_us, self._wants_shown = 0, -1
        if self.feeding.tend(walk, self.face, now):
            self._stuck_since = now
        shown = self._wants_shown == walk.wants_number
        if walk.state == "light" and shown and not self._upsets and now - self._stuck_since > STUCK_US:
            self._stuck_since = now
            held = ", ".join(f"{why} {count}" for why, count in self.bench.held_back.items()) or "no answer"
            self.face.warn(f"the outputs are not as wanted yet ({held}); skip this one if it stays so")
            if self.face.robot:
                walk.note(f"could not be lit: {held}")
                walk.skip(now)
        if self._raw_waiting and now >= self._raw_until:
            self._raw_waiting.clear()

    def _follow(self) -> None:
        """Make the outputs, the raw edges, the journal and the face follow the walk."""
        walk = self.walk
        for word in walk.sounds():
            self.face.sound(word)
            self._signal(word)
        if walk.wants.blink and self.blink_us == 0:
            walk.steady()
        if walk.wants_number != self._wants_shown:
            number = self._wants_shown = walk.wants_number
            self._stuck_since = self._now()
            if walk.state in ("light", "look"):
                self.outputs.pulse, self._pulse_until = "", 0
            self.outputs.apply(walk.wants, lambda failed: self._inbox.put(_Done("outputs", number, failed)))
        elif walk.state == "light" and self._lit == walk.wants_number:
            self._came_back(_Done("outputs", walk.wants_number))  # nothing had to change
        self._set_raw()
        for line in walk.journal(self._now()):
            self.write(line)
        if self.face.robot and self._raw_waiting:
            return
        look = (walk.step_number, walk.state, walk.wants_number, walk.answer_button, walk.instead(), self._trouble())
        if look != self._shown:
            self._shown = look
            self.face.show(self.scene())

    def scene(self) -> Scene:
        """How the walk stands."""
        walk = self.walk
        steady = walk.state == "look" and not walk.wants.blink and self.outputs.idle
        button = walk.answer_button if walk.state == "look" else ""
        return Scene(
            walk.prompt(),
            walk.state,
            walk.step_number,
            walk.step,
            walk.wants,
            dict(walk.values),
            steady,
            button,
            f"Plug in {', '.join(sorted(self._lost))}" if self._lost else self._waits(),
            walk.instead(),
            walk.last,
            self._trouble(),
        )

    def _waits(self) -> str:
        unfed = ", ".join(self.feeding.waiting)
        return f"Unfed: {unfed}" if unfed else "Dark" if self._dark else ""

    def _trouble(self) -> str:
        if self._lost:
            names = ", ".join(sorted(self._lost))
            return f"Board {names} is gone: plug it in again. The walk waits, and then asks this one anew."
        if self.feeding.waiting:
            advice = self.feeding.advice(self.feeding.waiting)
            return f"{advice[0].upper()}{advice[1:]}. The walk waits for it."
        if self._dark:
            return "A board is dark. End dark, and the walk goes on; asking again (back, again) ends it too."
        return ""

    def _signal(self, word: str) -> None:
        """A proved lamp says that a step was right, where no screen is seen."""
        walk = self.walk
        if word == "right" and not self.face.robot and walk.signal_lamp and walk.state in ("ask", "wait"):
            self.outputs.pulse = walk.signal_lamp
            self._pulse_until = self._now() + PULSE_US
            self.outputs.apply(walk.wants, lambda failed: None)

    def _came_back(self, done: _Done) -> None:
        if done.what == "raw":
            self._raw_waiting.discard(done.number)
            return
        if done.failed:
            # The board is gone, dark or was reset: when it is back, or after a while, the outputs are set again. Dark
            # is ended by nobody but the person.
            if "dark" in done.failed and not self._dark:
                self._dark = True
                self.face.warn("a board is dark: end dark (a, again, does it), and the walk goes on")
            self.outputs.forget_all()
            self._lit = -1
            self._retry_us = self._now() + RETRY_US
            return
        self._ready_us = self._now()
        self._dark = False
        self._lit = done.number
        if self.feeding.ready(self.walk):
            self.walk.ready(done.number)
            self._shown = ()

    def _set_raw(self) -> None:
        wanted = set(self.walk.raw_wanted())
        if wanted == self._raw:
            return
        for key in sorted(self._raw - wanted):
            self._ask_raw(key, False)
        for key in sorted(wanted - self._raw):
            future = self._ask_raw(key, True)
            if future is not None:
                self._raw_waiting.add(id(future))
                future.add_done_callback(lambda f: self._inbox.put(_Done("raw", id(f))))
        self._raw = wanted
        self._raw_until = self._now() + RAW_US

    def _ask_raw(self, key: str, on: bool) -> Future[Any] | None:
        board, _, channel = key.partition(".")
        source = self.outputs.sources.get(board)
        return None if source is None else self.bench.raw(source, channel, on)

    def _all_off(self) -> None:
        for key in self._raw:
            self._ask_raw(key, False)
        self._raw = set()
        self.outputs.pulse = ""
        self.outputs.apply(Wants(), lambda failed: None)  # a walk that is left in mid-look leaves nothing burning
        for line in self.walk.journal():
            self.write(line)
