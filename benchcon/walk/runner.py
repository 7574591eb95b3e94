"""Runs the walk on a real bench, between session and face on one side and the machine on the other."""

from __future__ import annotations

import contextlib
import queue
from collections.abc import Callable, Collection
from concurrent.futures import Future
from dataclasses import dataclass
from typing import Any

from benchcon.diagnosis.evidence import Change
from benchcon.errors import Trouble
from benchcon.link import Bench
from benchcon.link.outcomes import HELD_WHYS
from benchcon.panel.supplies import sources_of
from benchcon.session import Session
from benchcon.text import capitalised, listed, printable
from benchcon.walk import judge, occupied
from benchcon.walk.channel_changes import PanelBoards
from benchcon.walk.conditions import BAD, DARK, Condition, Conditions, Held, what_fell
from benchcon.walk.interfaces import FaceAnswer, Scene, WalkInterface
from benchcon.walk.machine import Walk
from benchcon.walk.outputs import OFF_S, WalkOutputs
from benchcon.walk.progress import BOARDS
from benchcon.walk.supply import named
from benchcon.wire import events as ev

BLINK_S = 2.0
"""How long a lamp under test blinks before it is lit steadily."""
PULSE_US = 250_000
"""How long a passed lamp lights to signal that a step was right."""
SIGN_US = 4_000_000
"""How long after this signal a person may mistake it for something else that lit."""
LONG_US = 600_000
"""A passed button held for this long answers no."""
STUCK_US = 5_000_000
"""Outputs that are not set after this long are reported to the person."""
RETRY_US = 500_000
"""Time after which outputs that could not be set are tried again."""
PATIENCE_US = 8_000_000
"""How long an unattended walk waits for a board that is gone, dark or without supply."""
STEP_US = 60_000_000
"""How long one step of an unattended walk may take."""
ASKS = 3
"""How often a group is asked, if each time its board is reset or lines are damaged, before it is skipped."""
RAW_US = 150_000
"""How long a simulated hand waits for raw edges to be switched on."""


@dataclass(frozen=True, slots=True)
class _Done:
    """The answer to a command that was handed to the link."""

    what: str
    number: int
    failed: str = ""


class Runner:
    """Runs one walk until it is over or left."""

    def __init__(
        self,
        session: Session,
        walk: Walk,
        face: WalkInterface,
        write: Callable[[dict[str, Any]], None] = lambda line: None,
        blink_s: float = BLINK_S,
    ) -> None:
        """`write` gets each journal line as soon as it is final. Raises `Trouble` if the session is not live."""
        if session.bench is None:
            raise Trouble("a capture cannot be walked; plug a board in")
        self.session, self.walk, self.face, self.write = session, walk, face, write
        self.bench: Bench = session.bench
        self.blink_us = int(blink_s * 1_000_000)
        self.panel_boards = PanelBoards(session, walk.panel)
        self.outputs = WalkOutputs(walk.layout, self.bench)
        self.outputs.sources = self.panel_boards.sources
        self.left = False
        self._inbox: queue.SimpleQueue[list[ev.Event] | FaceAnswer | _Done] = queue.SimpleQueue()
        self._raw: set[str] = set()
        self._raw_waiting: set[int] = set()
        self._raw_until = 0
        self._wants_shown = -1
        self._lit = -1
        """Number of the wants that the boards have confirmed."""
        self._retry_us = 0
        self._ready_us = 0
        self._pulse_until = 0
        self._signalled, self._signalled_us = "", 0
        """Name of the lamp that last signalled a right step, and when (µs)."""
        self._pressed: tuple[int, int] | None = None
        """When the answering button went down (µs), and in which step: it answers only that."""
        self._shown: tuple[Any, ...] = ()
        boards = walk.done.get(BOARDS.name)
        self.conditions = Conditions(self.panel_boards, walk.layout, boards.evidence if boards else ())
        self._held: Held = ()
        """Conditions on boards of the current step for which the walk waits."""
        self._held_since = 0
        self._hopeless: set[str] = set()
        """Boards that are no longer waited for, as nobody is there to help."""
        self._asks: dict[str, int] = {}
        """For each group that was asked again because of a board, how often it has been asked."""
        self._setting: tuple[int, ...] = ()
        """Numbers of the step and the wants whose outputs are being set; empty if none are."""
        self._setting_since = 0
        self._late = ""
        """Message that the outputs are not set yet; empty if they are, or if it is too early for it."""
        self._step_at = 0, 0
        """Number of the current step, and since when (µs)."""
        self._evidence_at = -1
        self._at_hand = ""

    def run(self) -> bool:
        """Run the walk. Return True if the plan was finished, False if the person or simulated hand left.

        Raises `Trouble` if the bench is closed or the simulated hand fails.
        """
        walk = self.walk
        end = self.session.subscribe(self._inbox.put)
        try:
            self.panel_boards.meet()
            self.conditions.begin()
            self._step_at = walk.step_number, self._now()
            self.bench.note(*occupied.begins(occupied.WALK))
            walk.start(self.panel_boards.values(), self._now())
            self.face.begin(walk.layout, self._inbox.put)
            try:
                self._loop()
            finally:
                self.face.end()
                walk.progress.happened_to(self.conditions.evidence())
                self._all_off()
                self.bench.beat(occupied.WALK, last=True)
                self.bench.note(*occupied.ends(occupied.WALK))
        finally:
            end()
        return not self.left

    def leave(self) -> None:
        """End the walk, from any thread; what was done so far is kept."""
        self._inbox.put(FaceAnswer("leave"))

    def _loop(self) -> None:
        while True:
            # Outputs that a hanging walk has lit must go dark, even if a person is at the screen.
            self.bench.beat(occupied.WALK)
            self._follow()
            if self.left or (self.walk.state == "over" and self.conditions.settled(self._now())):
                return
            try:
                item = self._inbox.get(timeout=self._timeout_s())
            except queue.Empty:
                item = []
            if isinstance(item, list):
                for event in item:
                    self._take(event)
            elif isinstance(item, FaceAnswer):
                self._answer(item)
            else:
                self._came_back(item)
            self._tick(self._now())

    def _now(self) -> int:
        return self.session.now_us()

    def _timeout_s(self) -> float:
        walk_us = None if self._upset() else self.walk.due_us()
        dues = [due for due in (walk_us, self._pulse_until or None) if due is not None]
        if self.walk.state == "look" and self.walk.wants.blink:
            dues.append(self._ready_us + self.blink_us)
        if self._raw_waiting:
            dues.append(self._raw_until)
        return min(0.5, max(0.0, (min(dues) - self._now()) / 1e6)) if dues else 0.5

    # --- up --------------------------------------------------------------------------------------------------------

    def _take(self, event: ev.Event) -> None:
        if isinstance(event, ev.Link) and event.word == "ident":
            self.panel_boards.meet()
        board = self.panel_boards.names.get(event.source)
        if board is None:
            return
        self._go_on(event.at_us)  # first finish what was due before this event
        self._group_begun()
        groups = self.conditions.take(event, self.walk)
        if isinstance(event, ev.Boot) or (isinstance(event, ev.Link) and event.word == "lost"):
            # The board has forgotten what it showed, and that raw edges were asked for.
            self.panel_boards.was_reset(board)
            self.outputs.forget(board)
            self._raw = {key for key in self._raw if not key.startswith(f"{board}.")}
        for group in groups:
            self._back_to(group)
        for change, how in self.panel_boards.changes(event):
            self._hear(change, how)
        if isinstance(event, ev.Answered) and event.words[:1] == ("read",) and self.panel_boards.known(board):
            values = self.panel_boards.values()
            mine = {key: value for key, value in values.items() if key.startswith(f"{board}.")}
            if self._upset():
                self.walk.values.update(mine)
            else:
                self.walk.set_values(mine, event.at_us)

    def _upset(self) -> bool:
        """Return whether the current group will be asked again anyway, so that changes now prove nothing."""
        fell = self.conditions.fallen(self.walk)
        return bool(self._held) or any(each is not BAD for each in fell)

    def _go_on(self, now_us: int) -> None:
        """Let the walk do what is due by `now_us`, unless its group will be asked again anyway."""
        while not self._upset() and (due := self.walk.due_us()) is not None and due <= now_us:
            self.walk.tick(due)

    def _hear(self, change: Change, how: str) -> None:
        walk, at_us = self.walk, change.at_us
        if self._upset():
            if how == "is":
                walk.values[change.channel] = change.value
            return
        self._go_on(at_us)
        if how == "is" and walk.state == "look":
            self._by_button(change)
        walk.heard(change, at_us, how)

    # --- boards that are not as they must be ------------------------------------------------------------------------

    def _check_conditions(self, now: int) -> None:
        """Wait for boards on which a condition holds, ask again what it has spoilt, and skip what cannot be asked."""
        walk, conditions = self.walk, self.conditions
        for group in conditions.tick(now, walk):
            self._back_to(group)
        for _ in range(len(walk.groups) + 1):  # the group after a skipped one may not be possible to ask either
            self._group_begun()
            held, before = conditions.holding(walk, now), self._held
            if held != before:
                self._tell_held(held, now)
            if held:
                if not self._given_up(held, now):
                    return
            elif before or self._spoilt:
                self._ask_again(now)
            else:
                return

    def _group_begun(self) -> None:
        """Begin a new group, which is not affected by what happened to boards during another one."""
        walk = self.walk
        name = walk.group.name if walk.group else ""
        if name != self._at_hand:
            before, self._at_hand = walk.done.get(self._at_hand), name
            self.conditions.begun()
            if before is not None and before.how == "done" and judge.worth_repeating(walk.layout, before.evidence):
                self.conditions.odd(before.group, self._now())

    @property
    def _spoilt(self) -> tuple[Condition, ...]:
        """Return why the current group must be asked again: what happened to its boards; bad lines at answers."""
        return tuple(each for each in self.conditions.fallen(self.walk) if each is not BAD)

    def _tell_held(self, held: Held, now: int) -> None:
        old, self._held = self._held, held
        if not old:
            self._held_since = now
        for board, what in old:
            if what.over and not any(board == other and what.over == still.over for other, still in held):
                self.face.warn(f"board '{printable(board)}' {what.over}")
        new = tuple(each for each in held if each not in old)
        if any(what.person for _, what in new):
            self.face.warn(f"{self.conditions.advice(new)}; the walk waits for it")

    def _given_up(self, held: Held, now: int) -> bool:
        """Skip the current group if a condition has held for long and nobody is there to correct it."""
        boards = {board for board, _ in held}
        if not self.face.simulated or (now - self._held_since <= PATIENCE_US and not self._hopeless.issuperset(boards)):
            return False
        self._hopeless |= boards
        if self._without(tuple(boards), self.conditions.advice(held), now):
            return True
        self._give_up(self.conditions.advice(held), now)
        return True

    def _ask_again(self, now: int) -> None:
        """Discard the current group's evidence and ask it again, or skip it after `ASKS` times."""
        walk, fell = self.walk, self.conditions.fallen(self.walk)
        boards, upset = self.conditions.concerned(walk), self.conditions.upset(walk)
        self.conditions.begun()
        if walk.group is None:
            return
        name = walk.group.name
        # What only had to wait before it was asked has not been asked in vain.
        if fell and (self.face.simulated or not all(each.person for each in fell)):
            self._asks[name] = self._asks.get(name, 1) + 1
        self._hopeless -= set(boards)
        walk.values.update(self.panel_boards.values())
        for board in boards:
            self.outputs.forget(board)
        self._wants_shown = self._lit = -1
        if self._asks.get(name, 1) > ASKS:
            each = what_fell(fell)
            if self._without(upset, f"it {each} each of the {ASKS} times that all was lit together", now):
                return
            self._give_up(f"its board {each} each of the {ASKS} times that this was asked", now)
        else:
            walk.again(now)

    def _back_to(self, group: str) -> None:
        """Ask `group` again, which was answered before it was known that a condition held on a board."""
        walk = self.walk
        if group not in walk.done:
            return  # it is the current group
        self._asks[group] = self._asks.get(group, 1) + 1
        if self._asks[group] > ASKS and walk.done[group].group.kind != "control":
            return  # a look may be doubted wrongly, as when the next step switches the supply off
        for _ in walk.groups:
            if group in walk.done:
                walk.back(self._now())
        if self._asks[group] > ASKS and walk.group is not None and walk.group.name == group:
            # None of its answers became final: the last one proves as little as the others.
            self._give_up(
                f"its board did not come through well any of the {ASKS} times that this was asked", self._now()
            )

    def _without(self, boards: tuple[str, ...], why: str, now: int) -> bool:
        """Ask the group that lights all together again without `boards`; return False if that is not possible."""
        walk = self.walk
        if walk.group is None or walk.group.kind != "together" or not boards or not walk.progress.leave_boards(boards):
            return False
        walk.note(f"without board {named(boards)}: {why}")
        self.face.warn(f"asked once more without board {named(boards)}: {why}")
        self._held = ()
        self._asks.pop(walk.group.name, None)
        walk.again(now)
        return True

    def _give_up(self, why: str, now: int) -> None:
        """Skip the current group, and say why."""
        self.walk.note(why)
        self.face.warn(f"skipped: {why}")
        self._held = ()
        self.walk.skip(now)

    def _by_button(self, change: Change) -> None:
        """Take an answer by a passed button: a short press is yes, a long one no (a lamp under test is dark)."""
        walk, at_us = self.walk, change.at_us
        name = walk.answer_button
        if walk.step is not None and walk.step.supply:
            return  # the button may itself switch that supply
        if not name or change.channel not in walk.layout.channels_of(name):
            return
        if judge.reads(walk.layout, (name,), 1, {**walk.values, change.channel: change.value}):
            self._pressed = at_us, walk.step_number
        elif self._pressed is not None:
            (since_us, step), self._pressed = self._pressed, None
            if step != walk.step_number:
                return
            if at_us - since_us < LONG_US:
                self._looked(FaceAnswer("same"), at_us)
            elif walk.step is not None and walk.step.do == "lamp":
                self._looked(FaceAnswer("otherwise"), at_us)  # the lamp does not light
            else:
                self.face.sound("wrong")
                self.face.warn("no: say on the screen what there is to be seen")

    # --- from the face ---------------------------------------------------------------------------------------------

    def _answer(self, answer: FaceAnswer) -> None:
        walk, now = self.walk, self._now()
        if answer.word == "leave":
            self.left = True
        elif answer.word == "note":
            walk.note(answer.text)
        elif answer.word == "lit":
            self._something_lit(answer.lamps, now)
        elif answer.step not in (0, walk.step_number) and answer.word != "back":
            return  # it answers a step that is over; only `back` is still meant then
        elif answer.word in ("acting", "done", "same", "otherwise") and self._upset():
            return  # it proves nothing now, and will be asked again as soon as possible
        elif answer.word == "acting":
            walk.acting()
        elif answer.word == "done":
            if walk.state == "ask" and not walk.heard_it:
                self.conditions.done(walk, now)
            walk.said(now)
        elif answer.word in ("same", "otherwise"):
            self._looked(answer, now)
        elif answer.word == "skip":
            walk.skip(now)
        elif answer.word == "not wired":
            walk.not_wired(now)
        elif answer.word == "again":
            if any(what is DARK for _, what in self._held):
                self.bench.light()
            self.conditions.begun()
            walk.again(now)
        elif answer.word == "back":
            self.conditions.begun()
            walk.back(now)

    def _something_lit(self, lamps: Collection[str], now: int) -> None:
        """Record that something lit while a control was worked, unless it was the walk's own signal."""
        names = [name for name in lamps if name != self.outputs.pulse and name != self._pulsed(now)] or [""]
        if names == [""] and self._pulsed(now):
            label = self.walk.layout.part(self._pulsed(now)).label
            self.face.warn(f"“{printable(label)}” lights for a moment to say “right”; if another lit, say which")
        elif not self._upset() and self.walk.lit(names):
            labels = [self.walk.layout.part(name).label for name in names if name]
            self.face.warn(f"noted: {listed(labels) if labels else 'something'} lit while a control was worked")

    def _pulsed(self, now: int) -> str:
        """Return the lamp that the walk itself has just lit as a signal; empty if none."""
        return self._signalled if now - self._signalled_us < SIGN_US else ""

    def _looked(self, answer: FaceAnswer, now: int) -> None:
        """Take an answer of the eye; if a line was damaged meanwhile, ask again instead."""
        walk = self.walk
        if walk.state != "look":
            return
        if self.conditions.fallen(walk) and self._asks.get(walk.group.name if walk.group else "", 1) < ASKS:
            self.face.warn("a line was damaged while this was looked at: it is asked again")
            self._ask_again(now)
            return
        if (
            walk.step is not None
            and walk.step.supply
            and walk.differs_since_begin(sources_of(walk.panel, walk.step.supply))
        ):
            self.face.warn("a switch of that supply was moved while this was looked at: it is asked again")
            walk.again(now)
            return
        right = answer.word == "same"
        self.conditions.looked(walk, right, now)
        if right:
            walk.looked(now)
        else:
            walk.looked_otherwise(now, answer.lamps, answer.displays, answer.level, answer.flickering)

    # --- down ------------------------------------------------------------------------------------------------------

    def _tick(self, now: int) -> None:
        walk = self.walk
        self._go_on(now)
        if self._pulse_until and now >= self._pulse_until:
            self._pulse_until = 0
            self.outputs.pulse = ""
            self.outputs.apply(walk.wants, lambda failed: None)
        if walk.wants.blink and walk.state == "look" and now >= self._ready_us + self.blink_us:
            walk.steady()
        self._check_conditions(now)
        if self._retry_us and now >= self._retry_us and not self._held:
            self._retry_us, self._wants_shown = 0, -1
        self._check_outputs(now)
        if self.face.simulated and walk.step_number != self._step_at[0]:
            self._step_at = walk.step_number, now
        elif self.face.simulated and walk.state != "over" and now - self._step_at[1] > STEP_US:
            self._step_at = walk.step_number, now
            self._give_up("nothing came of it", now)
        if self._raw_waiting and now >= self._raw_until:
            self._raw_waiting.clear()

    def _check_outputs(self, now: int) -> None:
        """Tell a person while outputs take long to be set; unattended, skip the group."""
        walk = self.walk
        setting = (walk.step_number, walk.wants_number) if walk.state == "light" and not self._held else ()
        if setting != self._setting:
            self._setting, self._setting_since, self._late = setting, now, ""
        if not setting or self._late or now - self._setting_since <= STUCK_US:
            return
        why = self._what_holds()
        if self.face.simulated:
            self._give_up(f"could not be lit: {why}", now)
        else:
            self._late = f"The outputs are not as wanted yet ({why}). Skip this one if it stays so."

    def _what_holds(self) -> str:
        """Return why outputs wait at this moment, without what was held back earlier in the walk."""
        with self.session.lock:
            boards = list(self.session.state.boards.values())
            whys = {channel.held for board in boards for channel in board.channels.values()} - {"", "no answer"}
        return "; ".join(HELD_WHYS.get(why, why) for why in sorted(whys)) or "no answer"

    def _follow(self) -> None:
        """Bring the outputs, the raw edges, the journal and the face up to date with the walk."""
        walk = self.walk
        for word in walk.sounds():
            self.face.sound(word)
            self._signal(word)
        if walk.wants.blink and self.blink_us == 0:
            walk.steady()
        waits = walk.state in ("light", "look") and (self._held or not self.conditions.may_be_lit(walk, self._now()))
        if walk.wants_number != self._wants_shown and not waits:
            number = self._wants_shown = walk.wants_number
            if walk.state in ("light", "look"):
                self.outputs.pulse, self._pulse_until = "", 0
            about = self.conditions.concerned(walk)
            self.outputs.apply(walk.wants, lambda failed: self._inbox.put(_Done("outputs", number, failed)), about)
        elif walk.state == "light" and self._lit == walk.wants_number:
            self._came_back(_Done("outputs", walk.wants_number))  # the outputs are set already
        self._set_raw()
        if walk.step_number != self._evidence_at:
            self._evidence_at = walk.step_number
            walk.progress.happened_to(self.conditions.evidence())
        for line in walk.journal(self._now()):
            self.write(line)
        if self.face.simulated and self._raw_waiting:
            return
        stands = (walk.step_number, walk.state, walk.wants_number, walk.answer_button)
        look = (*stands, walk.instead(), self._trouble(), self._late, self._steady)
        if look != self._shown:
            self._shown = look
            self.face.show(self.scene())

    def scene(self) -> Scene:
        """Return the state of the walk for the face."""
        walk = self.walk
        answers = walk.state == "look" and walk.step is not None and not walk.step.supply
        button = walk.answer_button if answers else ""
        return Scene(
            walk.prompt(),
            walk.state,
            walk.step_number,
            walk.step,
            walk.wants,
            dict(walk.values),
            self._steady,
            button,
            self._waits(),
            walk.instead(),
            walk.last,
            self._trouble(),
            self._late,
        )

    @property
    def _steady(self) -> bool:
        """Return whether all that the eye has to look at is in its final state."""
        return self.walk.state == "look" and not self.walk.wants.blink and self.outputs.idle

    def _waits(self) -> str:
        by: dict[str, list[str]] = {}
        for board, what in self._held:
            by.setdefault(what.word, []).append(board)
        return "; ".join(f"{capitalised(word)}: {', '.join(boards)}" for word, boards in by.items())

    def _trouble(self) -> str:
        if not self._held:
            return ""
        advice = self.conditions.advice(self._held)
        return f"{capitalised(advice)}. The walk waits, and then asks this one again."

    def _signal(self, word: str) -> None:
        """Light a passed lamp for a moment to signal a right step to a person away from the screen."""
        walk = self.walk
        if word == "right" and not self.face.simulated and walk.signal_lamp and walk.state in ("ask", "wait"):
            self.outputs.pulse = self._signalled = walk.signal_lamp
            self._signalled_us = self._now()
            self._pulse_until = self._now() + PULSE_US
            self.outputs.apply(walk.wants, lambda failed: None)

    def _came_back(self, done: _Done) -> None:
        if done.what == "raw":
            self._raw_waiting.discard(done.number)
            return
        if done.failed:
            # The outputs are set again when the board is back or no longer dark, or after a while.
            self.outputs.forget_all()
            self._lit = -1
            self._retry_us = self._now() + RETRY_US
            return
        if done.number != self._wants_shown:
            return  # something else is wanted by now, which has an answer of its own
        self._ready_us = self._now()
        self._lit = done.number
        borne = self.conditions.lit(self.walk, self._ready_us)
        if borne and not self._upset() and self.conditions.supplied.ready(self.conditions.concerned(self.walk)):
            self.walk.ready(done.number)

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
        # A walk that is left during a look leaves nothing lit. A rehearsal that goes on before the boards have been
        # told would take that for something the user does by hand, and leave these outputs alone for good.
        self.outputs.off(lambda failed: self._inbox.put(_Done("off", 0)))
        self.bench.beat(occupied.WALK)
        until = self._now() + int(OFF_S * 1_000_000)
        with contextlib.suppress(queue.Empty):
            while self._inbox.get(timeout=max(0.0, (until - self._now()) / 1e6)) != _Done("off", 0):
                pass
        for line in self.walk.journal():
            self.write(line)
