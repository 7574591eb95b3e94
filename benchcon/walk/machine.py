"""The walk itself, without I/O. It takes changes, answers and time, and gives prompts, wanted outputs, sounds and
evidence.

| stage | what happens |
|---|---|
| ask | a step is asked of the hand |
| closing | the step is as good as over: in 25 ms, with more than two positions 100 ms, after *done* 60 ms of quiet |
| wait | hands off, still, or a supply starts, until the time is over |
| light | outputs are wanted and not yet as wanted |
| look | the eye is asked, until it answers |
| over | the plan is done |

And what leads from one to the other (`TABLE`; `tests/walk/test_stages.py` draws this picture of it). A part that
springs back is followed at once: its next step is begun.

| at | sign | becomes |
|---|---|---|
| ask | what was asked for is there | closing |
| ask | something else has stood for 0.4 s | closing |
| ask | the hand says that it is done | closing |
| closing | what was asked for is gone again | ask |
| light | the outputs are as wanted | look |
| any | the next step is asked of the hand | ask |
| any | the next step takes nothing but time | wait |
| any | the next step is asked of the eye | light |
| any | there is no next step | over |

*skip*, *back*, *again* and *not wired* lead to a next step from every stage but over (from which only *back* does). A
group with something odd in it is asked once more by itself before the walk goes on, so that a slip of the hand is not
taken for a fault.

A hand cannot have followed a new prompt within 0.2 s, so changes until then still belong to the step before (a switch
on its way past a position, a contact that goes on chattering), unless a simulated hand says *acting*.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import replace
from enum import StrEnum
from typing import Any

from benchcon.diagnosis.evidence import Change, DisplayLook, Evidence, LampLook, Seen, SupplyLook
from benchcon.panel.model import Panel
from benchcon.walk import judge, pace, slips
from benchcon.walk.journal import FinishedStep
from benchcon.walk.plan import LOOKS, SUPPLY_LOOKS, Group, Step
from benchcon.walk.progress import Progress
from benchcon.walk.prompts import Prompt, prompt_for
from benchcon.walk.step_recorder import PreviousStep, StepRecorder
from benchcon.walk.wants import Wants, outputs_of


class WalkStage(StrEnum):
    """How far the current step has come."""

    ASK = "ask"
    CLOSING = "closing"
    WAIT = "wait"
    LIGHT = "light"
    LOOK = "look"
    OVER = "over"


class WalkSign(StrEnum):
    """What ends a stage."""

    THERE = "what was asked for is there"
    STANDS = "something else has stood for 0.4 s"
    DONE = "the hand says that it is done"
    GONE_AGAIN = "what was asked for is gone again"
    LIT = "the outputs are as wanted"
    HAND = "the next step is asked of the hand"
    TIME = "the next step takes nothing but time"
    EYE = "the next step is asked of the eye"
    END = "there is no next step"


NEXT = {
    WalkSign.HAND: WalkStage.ASK,
    WalkSign.TIME: WalkStage.WAIT,
    WalkSign.EYE: WalkStage.LIGHT,
    WalkSign.END: WalkStage.OVER,
}
"""For each sign of a next step, the stage in which that step begins, whatever the stage before."""

TABLE = {
    (WalkStage.ASK, WalkSign.THERE): WalkStage.CLOSING,
    (WalkStage.ASK, WalkSign.STANDS): WalkStage.CLOSING,
    (WalkStage.ASK, WalkSign.DONE): WalkStage.CLOSING,
    (WalkStage.CLOSING, WalkSign.GONE_AGAIN): WalkStage.ASK,
    (WalkStage.LIGHT, WalkSign.LIT): WalkStage.LOOK,
    **{(stage, sign): becomes for stage in WalkStage for sign, becomes in NEXT.items()},
}
"""For each stage and the sign that ends it, the next stage."""


class Walk:
    """One walk over one panel."""

    def __init__(
        self,
        panel: Panel,
        only: Collection[str] = (),
        before: Iterable[FinishedStep] = (),
        rest_us: int = pace.REST_US,
        still_us: int = pace.STILL_US,
    ) -> None:
        """`before` are groups done in an earlier part of the same walk, which are not asked again.

        `rest_us` and `still_us` are how long steps of hands off, and of a knob left alone, last.
        """
        self.panel = panel
        self.progress = Progress(panel, only, before)
        self.layout = self.progress.layout
        self.rest_us, self.still_us = rest_us, still_us
        self.values: dict[str, int] = {}
        self.state = WalkStage.OVER
        self.wants = Wants()
        self.wants_number = 0
        """Increases whenever `wants` changes; pass it to `ready`."""
        self.step_number = 0
        """Increases with every step; answers refer to it."""
        self.last = ""
        """What came of the previous step, if that is not what was asked for; else empty."""
        self._sounds: list[str] = []
        self._previous = PreviousStep(self.layout)
        self._begin_recording(0)

    # What a face shows ----------------------------------------------------------------------------------------------

    @property
    def groups(self) -> list[Group]:
        """All groups of the plan."""
        return self.progress.groups

    @property
    def done(self) -> dict[str, FinishedStep]:
        """Finished groups by name, in the order in which they were done."""
        return self.progress.done

    @property
    def group(self) -> Group | None:
        """The current group; None when the walk is over."""
        return self.progress.group

    @property
    def step(self) -> Step | None:
        """The current step; None when the walk is over."""
        return self.progress.step

    @property
    def evidence(self) -> list[Evidence]:
        """All evidence so far, in order."""
        return self.progress.evidence

    def prompt(self) -> Prompt:
        """Return in words what is asked now."""
        of, left = self.progress.parts
        step, before = self.step, self._recorder.before
        already = step is not None and step.do == "put" and judge.reads(self.layout, step.parts, step.to, before)
        return prompt_for(self.layout, step, min(of - left, max(0, of - 1)), of, self.progress.again, already)

    def instead(self) -> str:
        """Return in words what has moved in the current step instead of what was asked for; empty if nothing has."""
        step = self.step
        if self.state != WalkStage.ASK or step is None or self._odd_since is None:
            return ""
        others = slips.moved(self.layout, step, self._recorder.before, self.values)
        return slips.outcome_text(self.layout, step, self._recorder.before, self.values) if others else ""

    def sounds(self) -> list[str]:
        """Return the sounds to make since the last call: ``right``, ``wrong``, ``over``."""
        out, self._sounds = self._sounds, []
        return out

    def journal(self, now_us: int | None = None) -> list[dict[str, Any]]:
        """Return the journal lines since the last call, as JSON objects; `journal.resume` reads them.

        What was finished a moment before `now_us` is held back, as a late change may still belong to it; with None,
        nothing is.
        """
        self._previous.expire(now_us)
        return self.progress.journal(self._previous.evidence)

    @property
    def signal_lamp(self) -> str:
        """Name of a passed lamp, to signal right steps to a person away from the screen; empty before one has."""
        return self.progress.proved_lamp

    @property
    def answer_button(self) -> str:
        """Name of a passed push button to answer with; empty if there is none yet."""
        return self.progress.proved_button

    def raw_wanted(self) -> tuple[str, ...]:
        """Channels whose raw edges or readings the current step needs."""
        step = self.step
        if step is None or step.do not in ("put", "turn", "end", "still", "rest"):
            return ()
        if step.do == "turn" and not self.progress.again:
            return ()  # so many edges would fill a slow line; they are asked for only if the counts were wrong
        return tuple(sorted(judge.own_channels(self.layout, step)))

    def due_us(self) -> int | None:
        """Time in µs by which `tick` must be called; None if nothing is due."""
        if self.state == WalkStage.WAIT:
            step = self.step
            listening = bool(step and step.parts)
            waits = {"rest": pace.LISTEN_US if listening else self.rest_us, "starting": step.to * 1000 if step else 0}
            return self._recorder.began_us + waits.get(step.do if step else "", self.still_us)
        if self.state == WalkStage.CLOSING:
            return self._close_us
        if self.state == WalkStage.ASK and self._odd_since is not None:
            return self._odd_since + pace.patience(self.layout, self.step, self._recorder.before, self.values)
        return None

    # What comes in --------------------------------------------------------------------------------------------------

    def start(self, values: Mapping[str, int], now_us: int) -> None:
        """Begin the walk with the channels (``board.id``) at `values`."""
        self.values = dict(values)
        self.progress.rewind()
        self._next_group(now_us)

    def heard(self, change: Change, now_us: int, how: str = "is") -> None:
        """Take a change. `how`: ``is``, ``edge``, ``raw`` (a reading), ``skip`` (invalid transitions), ``ghost``."""
        if how == "is":
            self.values[change.channel] = change.value
        if self._previous.belongs(change, self.step, now_us):
            self._previous.amend(change, how)
            if how == "is":
                self._recorder.before, self._recorder.settled = dict(self.values), dict(self.values)
            return
        if self.state not in (WalkStage.ASK, WalkStage.CLOSING, WalkStage.WAIT):
            return
        self._recorder.take(change, how)
        if self.state == WalkStage.CLOSING and self._said and how in ("is", "edge"):
            quiet, most = pace.quiet_after_done(self.step)  # a contact that still bounces has not been reported yet
            self._close_us = min(now_us + quiet, self._said_us + most)
        if how != "is":
            return
        if self.state == WalkStage.CLOSING and not self._said:
            if self._outcome == "seen" and self.step and self.step.do == "put" and not self._is_there():
                self._went_away_again(change, now_us)
            else:
                self._recorder.settled = dict(self.values)
        elif self.state == WalkStage.ASK:
            self._look_at(change, now_us)

    def acting(self) -> None:
        """Note that a simulated hand begins to move: all changes from now on belong to this step, however soon."""
        self._previous.forget()

    @property
    def heard_it(self) -> bool:
        """Return whether what the current step asks for has been heard."""
        return self._is_there()

    def differs_since_begin(self, names: Iterable[str]) -> bool:
        """Return whether any of these controls reads differently from when the current step began."""
        before = self._recorder.before
        keys = [key for name in names for key in self.layout.channels_of(name)]
        return any(self.values.get(key) != before.get(key, self.values.get(key)) for key in keys)

    def set_values(self, values: Mapping[str, int], now_us: int) -> None:
        """Take the values of a board that was read again after a gap or a reset; differences count as changes."""
        for channel, value in values.items():
            if self.values.get(channel) != value:
                self.heard(Change(now_us, channel, value), now_us)

    def tick(self, now_us: int) -> None:
        """Do what is due at `now_us`."""
        due = self.due_us()
        if due is None or now_us < due:
            return
        if self.state == WalkStage.ASK:
            self._close(now_us, "seen" if self._is_there() else "otherwise")
            return
        if self.state == WalkStage.WAIT:
            self._outcome = "seen"
        if self.state == WalkStage.WAIT or self._said:
            self._recorder.settled = dict(self.values)
        self._finish(now_us)

    def said(self, now_us: int) -> None:
        """Note that the hand says it has done what was asked."""
        if self.state == WalkStage.CLOSING:
            self._said_early = True  # it counts if what was asked for does not last
        elif self.state == WalkStage.ASK:
            self._said, self._said_us = True, now_us
            self._see(WalkSign.DONE)
            self._close_us = now_us + pace.quiet_after_done(self.step)[0]

    def ready(self, number: int) -> None:
        """Note that the outputs are as asked for by wants number `number`."""
        if self.state == WalkStage.LIGHT and number == self.wants_number:
            self._see(WalkSign.LIT)

    def steady(self) -> bool:
        """Switch a blinking lamp to steady light; return whether there was one."""
        if self.state in (WalkStage.LIGHT, WalkStage.LOOK) and self.wants.blink:
            self._want(replace(self.wants, blink=False))
            return True
        return False

    def looked(self, now_us: int) -> None:
        """Note that everything looks as it should."""
        self._answer(now_us, "same", {}, {}, "full", False)

    def looked_otherwise(
        self,
        now_us: int,
        lamps: Mapping[str, Seen] | None = None,
        displays: Mapping[str, bytes] | None = None,
        level: str = "full",
        flickering: bool = False,
    ) -> None:
        """Note that something else was seen: every lamp that was lit, every display that showed something.

        `level` and `flickering` describe the display that was asked about.
        """
        self._answer(now_us, "otherwise", dict(lamps or {}), dict(displays or {}), level, flickering)

    def lit(self, names: Collection[str]) -> bool:
        """Note that these lamps or displays lit while a control was worked; an empty name stands for an unknown one.

        The walk may have gone on meanwhile: if nothing has moved in the current step yet, they belong to the previous
        one. Returns False if no control was being tested, as in steps about supplies, which light what they feed.
        """
        asked = (
            self.state in (WalkStage.ASK, WalkStage.CLOSING) and self.group is not None and self.group.kind == "control"
        )
        mine = asked and any(
            self.layout.spots[change.channel].kind != "pot"
            for change in self._recorder.changes
            if change.channel in self.layout.spots
        )
        if mine or not self.progress.lit(names):
            if not asked:
                return False
            self._recorder.lit += [name for name in names if name not in self._recorder.lit]
        return True

    def skip(self, now_us: int) -> None:
        """Skip the current group."""
        self._leave("skipped", now_us)

    def not_wired(self, now_us: int) -> None:
        """Note that the current part is not wired yet, and go on."""
        self._leave("not wired", now_us)

    def note(self, text: str) -> None:
        """Add a note to the current part."""
        old = self.progress.note
        self.progress.note = f"{old}; {text}" if old else text

    def again(self, now_us: int) -> None:
        """Ask the current group from its beginning, and discard its evidence."""
        if self.group is not None:
            self.progress.again = False
            self.last = ""
            self._begin_group(now_us)

    def back(self, now_us: int) -> None:
        """Go back to the previous group that has anything to ask, and discard its evidence."""
        if self.progress.back():
            self.last = ""
            self.progress.begin_group(self.values, now_us)
            while self.step is None and self.progress.back():
                self.progress.begin_group(self.values, now_us)
            self._begin_step_or_next_group(now_us)

    # Going on -------------------------------------------------------------------------------------------------------

    def _see(self, sign: WalkSign) -> None:
        self.state = TABLE[self.state, sign]

    def _begin_recording(self, now_us: int) -> None:
        self.step_number += 1
        self._recorder = StepRecorder(now_us, self.values)
        self._outcome = ""
        self._said = self._said_early = False
        self._said_us = self._close_us = now_us
        self._odd_since: int | None = None

    def _next_group(self, now_us: int) -> None:
        if self.progress.after_controls:
            restless = judge.restless(self.layout, self.progress.evidence)
            if restless:
                self.progress.listen_to(restless)
        while self.progress.next_group() or (
            self.progress.look_at_pairs(judge.pairs_in_doubt(self.layout, self.progress.evidence))
            and self.progress.next_group()
        ):
            self.progress.begin_group(self.values, now_us)
            if self.progress.step is not None:
                self._begin_step(now_us)
                return
            self.progress.leave_out()
        else:
            self._want(Wants())
            self._see(WalkSign.END)
            self._sounds.append("over")

    def _begin_group(self, now_us: int) -> None:
        self.progress.begin_group(self.values, now_us)
        self._begin_step_or_next_group(now_us)

    def _begin_step_or_next_group(self, now_us: int) -> None:
        if self.step is None:  # there is nothing left to ask
            self.progress.keep("done", now_us)
            self._next_group(now_us)
        else:
            self._begin_step(now_us)

    def _begin_step(self, now_us: int) -> None:
        step = self.step
        assert step is not None
        self._begin_recording(now_us)
        self._want(outputs_of(self.layout, step))
        if step.do in ("rest", "still", "starting"):
            self._see(WalkSign.TIME)
        elif step.do in LOOKS or step.do in SUPPLY_LOOKS:
            self._see(WalkSign.EYE)
        else:
            self._see(WalkSign.HAND)
            last = self.progress.collected[-1] if self.progress.collected else None
            if judge.nothing_to_let_go(self.layout, step, last):
                self._odd_since = now_us + pace.RELEASE_US - pace.ODD_US

    def _want(self, wants: Wants) -> None:
        if wants != self.wants:
            self.wants = wants
            self.wants_number += 1

    def _look_at(self, change: Change, now_us: int) -> None:
        """Judge a change while the hand is asked: whether it is what was asked for, or something else."""
        step = self.step
        assert step is not None
        recorder, values = self._recorder, self.values
        if step.do != "put":
            self._odd_since = now_us if judge.knob_moved(self.layout, step, recorder.before, values) else None
            return
        own = judge.own_channels(self.layout, step)
        if judge.done(self.layout, step, recorder.before, values) and any(c.channel in own for c in recorder.changes):
            self._close(now_us, "seen")
        else:
            spot = self.layout.spots.get(change.channel)
            wanders = spot is not None and spot.kind not in judge.STEADY
            since = self._odd_since if wanders and self._odd_since is not None else now_us
            # A floating potentiometer that wanders must not put off other odd changes for ever.
            self._odd_since = since if judge.odd(self.layout, step, recorder.before, values) else None

    def _is_there(self) -> bool:
        """Return whether everything is as the current step asks."""
        return self.step is not None and judge.done(self.layout, self.step, self._recorder.before, self.values)

    def _went_away_again(self, change: Change, now_us: int) -> None:
        """Handle that what was asked for was there only for a moment."""
        step = self.step
        assert step is not None
        if len(step.parts) == 1 and judge.springs_back(self.layout, step):
            stood = self._recorder.settled
            self._finish(now_us)  # a quick tap: the press counts, and this change belongs to the next step
            if self.step is not None and self.step.parts == step.parts:
                self._recorder.before = dict(stood)
                self.heard(change, now_us)
            return
        self._see(WalkSign.GONE_AGAIN)
        self._outcome = ""
        if self._said_early:
            self.said(now_us)
            return
        self._odd_since = now_us if judge.odd(self.layout, step, self._recorder.before, self.values) else None

    def _close(self, now_us: int, outcome: str) -> None:
        step = self.step
        assert step is not None
        self._outcome = outcome
        self._recorder.settled = dict(self.values)
        self._see(WalkSign.THERE if outcome == "seen" else WalkSign.STANDS)
        self._close_us = now_us + pace.stands(self.layout, step)
        self._sounds.append("right" if outcome == "seen" else "wrong")

    def _finish(self, now_us: int) -> None:
        """End the current step: record its evidence and go on."""
        step = self.step
        assert step is not None
        if self._said:
            right = judge.done(self.layout, step, self._recorder.before, self._recorder.settled)
            self._outcome = "seen" if right else "said"
            self._sounds.append("right" if right else "wrong")
        recorder = self._recorder
        if step.do != "starting":
            self.progress.collected.append(recorder.evidence(step, self._outcome, now_us))
        self.last = (
            "" if self._outcome == "seen" else slips.outcome_text(self.layout, step, recorder.before, recorder.settled)
        )
        if step.do in ("put", "turn", "end"):
            self._previous.hold(self.progress.collected, now_us + pace.LATE_US)
        else:
            self._previous.forget()
        self._next_step(now_us)

    def _answer(
        self, now_us: int, answer: str, lamps: dict[str, Seen], displays: dict[str, bytes], level: str, flickering: bool
    ) -> None:
        step = self.step
        if self.state != WalkStage.LOOK or step is None:
            return
        if step.do == "display":
            name = step.parts[0]
            own = displays.pop(name, b"") if answer == "otherwise" else b""
            self.progress.collected.append(
                DisplayLook(name, step.picture, answer, own, displays, level, flickering, at_us=now_us)
            )
        elif step.do in SUPPLY_LOOKS:
            lit = tuple(name for name in step.parts if name in lamps or any(displays.get(name, b"")))
            self.progress.collected.append(SupplyLook(step.supply, step.to, step.parts, answer, lit, now_us))
        else:
            shows = dict(self.wants.displays)
            # Of displays that are lit together with others, a person says only whether they are lit.
            displays |= {name: shows[name] for name in shows if name in lamps and name not in displays}
            lamps = {name: how for name, how in lamps.items() if name not in shows}
            self.progress.collected.append(
                LampLook(dict(self.wants.lamps), answer, lamps, displays, now_us, shows=shows)
            )
        self._sounds.append("right" if answer == "same" else "wrong")
        self.last = ""
        self._next_step(now_us)

    def _next_step(self, now_us: int) -> None:
        progress = self.progress
        if progress.next_step():
            self._begin_step(now_us)
        elif not progress.again and progress.may_repeat and judge.worth_repeating(self.layout, progress.collected):
            progress.again = True
            self._begin_group(now_us)
        elif progress.ask_more():
            self._begin_step(now_us)
        else:
            progress.keep("done", now_us)
            self._next_group(now_us)

    def _leave(self, how: str, now_us: int) -> None:
        if self.group is not None:
            self.progress.collected = []
            self.last = ""
            self.progress.keep(how, now_us)
            self._next_group(now_us)
