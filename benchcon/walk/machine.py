"""The walk itself, without I/O: changes, answers and time in; prompts, wanted outputs, sounds and evidence out.

States, and what leads out of them:

===========  ==========================================  =======================================================
state        means                                       leaves it
===========  ==========================================  =======================================================
``ask``      a step is asked of the hand                 the expected is there → ``closing``; something else
                                                         stands for 0.4 s → ``closing``; *done* → ``closing``
``closing``  the step is as good as over                 30 ms (after *done*: 60 ms of quiet) → next step; the
                                                         expected went away again → ``ask`` (a part that springs
                                                         back: next step at once)
``wait``     hands off, or still                         time is up → next step
``light``    outputs are wanted and not yet as wanted    *ready* → ``look``
``look``     the eye is asked                            an answer → next step
``over``     the plan is done                            *back*
===========  ==========================================  =======================================================

*skip*, *back*, *again* and *not wired* lead out of every state but ``over`` (which only *back* does). A group with
something odd in it is asked once more by itself before the walk goes on, so that a slip of the hand is not taken for
a fault.

A hand cannot have followed a new prompt within 0.2 s, so changes until then still belong to the step before (a switch
on its way past a position, a contact that goes on chattering), unless a robot says *acting*.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from benchcon.panel.model import Control, Digits, Lamp, Panel
from benchcon.walk.evidence import Change, DigitsLook, Evidence, Hand, LampLook, Seen, as_json, read
from benchcon.walk.layout import Layout, codes_of, key_of, spring_of
from benchcon.walk.plan import DETENTS, Group, Step, plan, steps
from benchcon.walk.prompts import Prompt, prompt_for

SETTLE_US = 30_000
"""How long the expected must have stood: late enough for a neighbour that is shorted to show, too short to be felt."""
LATE_US = 200_000
"""Nobody reacts faster to a new prompt (reaction to sight takes about 0.2 s; common practice, no source)."""
HOLD_US = 400_000
"""How long several keys must have been held together."""
DONE_US = 60_000
"""Quiet that is waited for after the hand said that it is done."""
DONE_MOST_US = 300_000
ODD_US = 400_000
"""Something else than expected must stand this long to be taken for an answer: a brushed neighbour does not."""
TURN_QUIET_US = 1_500_000
"""A turned knob at rest this long, having moved, has been turned."""
RIGHT_QUIET_US = 200_000
"""The same where it stands just where it should."""
REST_US = 1_000_000
RELEASE_US = 1_000_000
STILL_US = 2_000_000
_STEADY = ("contact", "selector")
KEPT = 4000
"""Most changes, edges and readings kept of one step: a contact in a storm does not fill the memory."""


@dataclass(slots=True)
class Wants:
    """Outputs as the step at hand wants them; everything not named is off."""

    lamps: dict[str, int] = field(default_factory=dict)
    """Lamp → lightness in permille."""
    blink: bool = False
    """Blink these lamps, once a second, until `Walk.steady`."""
    digits: dict[str, bytes] = field(default_factory=dict)


@dataclass(slots=True)
class Done:
    """One finished group: its evidence, how it went, notes."""

    group: Group
    evidence: list[Evidence]
    how: str
    """``done``, ``skipped`` or ``not wired``."""
    note: str = ""
    took_us: int = 0


class Walk:
    """One walk over one panel."""

    def __init__(
        self,
        panel: Panel,
        only: Collection[str] = (),
        before: Iterable[Done] = (),
        rest_us: int = REST_US,
        still_us: int = STILL_US,
    ) -> None:
        """`before`: groups done in an earlier part of the same walk; they are not asked again."""
        self.panel = panel
        self.layout = Layout.of(panel)
        self.groups = plan(panel, only)
        self.done: dict[str, Done] = {each.group.name: each for each in before}
        self.rest_us, self.still_us = rest_us, still_us
        self.values: dict[str, int] = {}
        self.state = "over"
        self.wants = Wants()
        self.wants_number = 0
        """Goes up whenever `wants` changes; hand it back to `ready`."""
        self.began_us = 0
        self.step_number = 0
        """Goes up with every step: what an answer belongs to."""
        self._group = -1
        self._steps: list[Step] = []
        self._index = 0
        self._again = False
        self._collected: list[Evidence] = []
        self._group_began_us = 0
        self._sounds: list[str] = []
        self._fresh: list[Done | str] = []
        self._note = ""
        self._late: list[Evidence] = []
        """Where the step before stands (last) while late changes still belong to it."""
        self._late_until = 0
        self._settled: dict[str, int] = {}
        self._reset_step(0)

    # What a face shows ----------------------------------------------------------------------------------------------

    @property
    def group(self) -> Group | None:
        """The group at hand, None when the walk is over."""
        return self.groups[self._group] if 0 <= self._group < len(self.groups) else None

    @property
    def step(self) -> Step | None:
        """The step at hand."""
        return self._steps[self._index] if self.group and self._index < len(self._steps) else None

    @property
    def evidence(self) -> list[Evidence]:
        """All evidence so far, in the order in which it came."""
        return [e for done in self.done.values() for e in done.evidence] + list(self._collected)

    def prompt(self) -> Prompt:
        """What is asked just now, in words."""
        left = sum(group.name not in self.done for group in self.groups)
        return prompt_for(self.layout, self.step, self.state, len(self.groups) - left, len(self.groups), self._again)

    def sounds(self) -> list[str]:
        """Return what is to be heard since the last call: ``right``, ``wrong``, ``over``."""
        out, self._sounds = self._sounds, []
        return out

    def journal(self) -> list[dict[str, Any]]:
        """Return what is to be written down since the last call, one JSON object a line; see `resume`."""
        out: list[dict[str, Any]] = []
        kept: list[Done | str] = []
        for each in self._fresh:
            if isinstance(each, Done) and each.evidence is self._late and self.state != "over":
                kept.append(each)  # it may still be added to
                continue
            if isinstance(each, str):
                out.append({"forget": each})
            else:
                out.append(
                    {
                        "done": each.group.name,
                        "kind": each.group.kind,
                        "parts": list(each.group.parts),
                        "how": each.how,
                        "note": each.note,
                        "took_us": each.took_us,
                        "evidence": [as_json(e) for e in each.evidence],
                    }
                )
        self._fresh = kept
        return out

    def raw_wanted(self) -> tuple[str, ...]:
        """Channels whose raw edges or readings the step at hand wants."""
        step = self.step
        if step is None or step.do not in ("put", "turn", "end", "still"):
            return ()
        return tuple(key for part in step.parts for key in self.layout.channels_of(part))

    def due_us(self) -> int | None:
        """When `tick` should be called at the latest, whatever else happens; None: nothing is due."""
        if self.state == "wait":
            return self.began_us + (self.rest_us if self.step and self.step.do == "rest" else self.still_us)
        if self.state == "closing":
            return self._close_us
        if self.state == "ask" and self._odd_since is not None:
            return self._odd_since + self._patience()
        return None

    # What comes in --------------------------------------------------------------------------------------------------

    def start(self, values: Mapping[str, int], now_us: int) -> None:
        """Begin, with the channels at `values` (``board.id`` → value)."""
        self.values = dict(values)
        self._group = -1
        self._next_group(now_us)

    def heard(self, change: Change, now_us: int, how: str = "is") -> None:
        """A channel changed: `how` is ``is``, ``edge``, ``raw`` (a reading), ``skip`` (value: jumps) or ``ghost``."""
        if how == "is":
            self.values[change.channel] = change.value
        if self._late and self._is_late(change, now_us):
            self._amend(change, how)
            return
        if self.state not in ("ask", "closing", "wait"):
            return
        if how == "skip":
            self._skips[change.channel] = self._skips.get(change.channel, 0) + max(0, change.value)
            return
        if how == "ghost":
            self._ghosts.append(change.channel)
            return
        row = {"is": self._changes, "edge": self._edges, "raw": self._readings}[how]
        if len(row) < KEPT:
            row.append(change)
        if how != "is":
            return
        self._last_change_us = now_us
        if self.state == "closing":
            if self._said:
                self._close_us = min(now_us + DONE_US, self._said_us + DONE_MOST_US)
            elif self._outcome == "seen" and self._went_away():
                self._lapse(now_us)
                return
            else:
                self._settled = dict(self.values)
        if self.state == "ask":
            self._look_at(now_us)

    def acting(self) -> None:
        """A robot begins to move: what changes from now on belongs to the step at hand, however soon it comes."""
        self._late = []

    def set_values(self, values: Mapping[str, int], now_us: int) -> None:
        """The board's whole state was read again (after a gap or a reset); what differs is a change."""
        for channel, value in values.items():
            if self.values.get(channel) != value:
                self.heard(Change(now_us, channel, value), now_us)

    def tick(self, now_us: int) -> None:
        """Time has passed."""
        due = self.due_us()
        if due is None or now_us < due:
            return
        if self.state == "wait":
            self._outcome = "seen"
            self._settled = dict(self.values)
            self._finish(now_us)
        elif self.state == "closing":
            if self._said:
                self._settled = dict(self.values)
            self._finish(now_us)
        elif self.state == "ask":
            self._close(now_us, "seen" if self._turned() or self._reached() else "otherwise")

    def said(self, now_us: int) -> None:
        """The hand says that it has done what was asked."""
        if self.state == "ask":
            self._said, self._said_us = True, now_us
            self._outcome = "said"
            self.state = "closing"
            self._close_us = now_us + DONE_US

    def ready(self, number: int, now_us: int) -> None:
        """The outputs are as wants number `number` asked."""
        if self.state == "light" and number == self.wants_number:
            self.state = "look"

    def steady(self) -> bool:
        """Have a blinking lamp burn steadily; says whether there was one."""
        if self.state == "look" and self.wants.blink:
            self.wants = replace(self.wants, blink=False)
            self.wants_number += 1
            return True
        return False

    def looked(self, now_us: int) -> None:
        """Everything looks as it should."""
        self._answer(now_us, "same", {}, {}, "full", False)

    def looked_otherwise(
        self,
        now_us: int,
        lamps: Mapping[str, Seen] | None = None,
        displays: Mapping[str, bytes] | None = None,
        level: str = "full",
        flickering: bool = False,
    ) -> None:
        """Something else was seen: every lamp that was lit, every display that showed something.

        `level` and `flickering` belong to the display that was asked about.
        """
        self._answer(now_us, "otherwise", dict(lamps or {}), dict(displays or {}), level, flickering)

    def skip(self, now_us: int) -> None:
        """Pass over the group at hand."""
        self._leave("skipped", now_us)

    def not_wired(self, now_us: int) -> None:
        """The part at hand is not wired yet."""
        self._leave("not wired", now_us)

    def note(self, text: str) -> None:
        """Write a word beside the part at hand (or, once the walk is over, the last)."""
        self._note = f"{self._note}; {text}" if self._note else text

    def again(self, now_us: int) -> None:
        """Ask the group at hand from its beginning."""
        if self.group is not None:
            self._collected = []
            self._begin_group(now_us)

    def back(self, now_us: int) -> None:
        """Go back to the group before, and forget what it gave."""
        index = (self._group if self.group is not None else len(self.groups)) - 1
        if index >= 0:
            self._collected = []
            name = self.groups[index].name
            if self.done.pop(name, None) is not None:
                self._fresh.append(name)
            self._group = index
            self._begin_group(now_us)

    # Inside ---------------------------------------------------------------------------------------------------------

    def _reset_step(self, now_us: int) -> None:
        self.began_us = now_us
        self.step_number += 1
        self._before = dict(self.values)
        self._settled = dict(self.values)
        self._changes: list[Change] = []
        self._edges: list[Change] = []
        self._readings: list[Change] = []
        self._skips: dict[str, int] = {}
        self._ghosts: list[str] = []
        self._outcome = ""
        self._said = False
        self._said_us = now_us
        self._close_us = now_us
        self._odd_since: int | None = None
        self._last_change_us = now_us

    def _next_group(self, now_us: int) -> None:
        self._group += 1
        while self._group < len(self.groups) and (
            self.groups[self._group].name in self.done or not self._is_wired(self.groups[self._group], now_us)
        ):
            self._group += 1
        self._again = False
        self._collected = []
        if self._group < len(self.groups):
            self._begin_group(now_us)
        else:
            self._want(Wants())
            self.state = "over"
            self._sounds.append("over")

    def _is_wired(self, group: Group, now_us: int) -> bool:
        """Parts that the panel file calls not wired yet are passed over."""
        if all(self.layout.part(name).wired for name in group.parts):
            return True
        done = Done(group, [], "not wired")
        self.done[group.name] = done
        self._fresh.append(done)
        return False

    def _begin_group(self, now_us: int) -> None:
        group = self.group
        assert group is not None
        self._steps = steps(self.layout, group, self.values)
        self._index = 0
        self._group_began_us = now_us
        self._begin_step(now_us)

    def _begin_step(self, now_us: int) -> None:
        step = self.step
        assert step is not None
        self._reset_step(now_us)
        if step.do in ("rest", "still"):
            self._want(Wants())
            self.state = "wait"
        elif step.do in ("dark", "lamp", "digits"):
            self._want(self._outputs(step))
            self.state = "light"
        else:
            self._want(Wants())
            self.state = "ask"
            if self._nothing_to_let_go(step):
                self._odd_since = now_us + RELEASE_US - ODD_US

    def _nothing_to_let_go(self, step: Step) -> bool:
        """A button that showed nothing at all when pressed shows nothing when it is let go: do not wait for it."""
        if step.do != "put" or not self._reached() or not self._collected:
            return False
        last = self._collected[-1]
        springs = all(
            spring_of(self.layout.controls[name]) and step.to not in spring_of(self.layout.controls[name])
            for name in step.parts
        )
        return springs and isinstance(last, Hand) and last.outcome == "said" and last.before == last.values

    def _outputs(self, step: Step) -> Wants:
        if step.do == "lamp":
            lamp = self.layout.part(step.parts[0])
            assert isinstance(lamp, Lamp)
            return Wants({lamp.name: lamp.on_permille}, blink=True)
        return Wants(digits={step.parts[0]: step.picture}) if step.do == "digits" else Wants()

    def _want(self, wants: Wants) -> None:
        if wants != self.wants:
            self.wants = wants
            self.wants_number += 1

    def _look_at(self, now_us: int) -> None:
        """Something changed while the hand was asked: is it what was asked for?"""
        step = self.step
        assert step is not None
        if step.do == "put":
            if self._reached() and any(c.channel in self._own() for c in self._changes):
                self._close(now_us, "seen")
                return
            self._odd_since = now_us if self._is_odd() else None
        else:
            self._odd_since = now_us if self._knob_moved() else None

    def _knob_moved(self) -> bool:
        """Whether a knob, this one or another of its kind, was really moved and not only brushed."""
        spot = self.layout.spots[next(iter(self._own()))]
        for key, each in self.layout.spots.items():
            if each.kind == spot.kind and isinstance(each.part, Control):
                by = self.values.get(key, 0) - self._before.get(key, self.values.get(key, 0))
                if each.kind == "encoder":
                    if abs((by + 0x8000) % 0x10000 - 0x8000) >= 3:
                        return True
                elif abs(by) > 0.05 * abs(each.part.high_count - each.part.low_count):
                    return True
        return False

    def _own(self) -> set[str]:
        step = self.step
        return {key for part in step.parts for key in self.layout.channels_of(part)} if step else set()

    def _is_odd(self) -> bool:
        """Whether a channel stands otherwise than before, and it is not on its way to what was asked for."""
        own = self._own()
        kinds = {key: spot.kind for key, spot in self.layout.spots.items()}
        off = {
            key
            for key, value in self.values.items()
            if value != self._before.get(key, value) and kinds.get(key) not in (None, "pot")
        }
        return bool(off - own) or (bool(off) and self.step is not None and self.step.do == "put")

    def _patience(self) -> int:
        step = self.step
        if step is None or step.do == "put":
            return ODD_US
        return RIGHT_QUIET_US if self._turned() else TURN_QUIET_US

    def _reached(self) -> bool:
        step = self.step
        return step is not None and step.do == "put" and self._reads(step.parts, step.to, self.values)

    def _reads(self, parts: Sequence[str], to: int, values: Mapping[str, int]) -> bool:
        """Whether all of `parts` read as position `to`."""
        for name in parts:
            control = self.layout.controls[name]
            for channel, value in zip(control.channels, codes_of(control)[to], strict=False):
                if values.get(key_of(channel)) != value:
                    return False
        return True

    def _turned(self) -> bool:
        """Whether a knob stands just where it should after the turn."""
        step = self.step
        if step is None or step.do not in ("turn", "end"):
            return False
        control = self.layout.part(step.parts[0])
        assert isinstance(control, Control)
        key = key_of(control.channels[0])
        if step.do == "turn":
            wanted = step.to * control.detent_counts * (-1 if control.inverted else 1)
            return (self.values.get(key, 0) - self._before.get(key, 0) - wanted) % 0x10000 == 0
        high = (step.to > 0) != control.inverted
        end = control.high_count if high else control.low_count
        return abs(self.values.get(key, -9999) - end) <= 0.02 * abs(control.high_count - control.low_count)

    def _went_away(self) -> bool:
        step = self.step
        return step is not None and step.do == "put" and not self._reached()

    def _lapse(self, now_us: int) -> None:
        """What was asked for was there for a moment only."""
        step = self.step
        assert step is not None
        if len(step.parts) == 1 and step.to in spring_of(self.layout.controls[step.parts[0]]):
            self._finish(now_us)  # a quick tap: what stood counts
            return
        self.state = "ask"
        self._outcome = ""
        self._odd_since = now_us if self._is_odd() else None

    def _is_late(self, change: Change, now_us: int) -> bool:
        """Whether `change` still belongs to the step before."""
        if now_us > self._late_until:
            self._late = []
            return False
        last, step = self._late[-1], self.step
        assert isinstance(last, Hand)
        if step is not None and step.parts == last.parts and change.channel in self._own():
            # A quick tap is over before the evidence of the press is late: it must not be taken for the press.
            return not any(spring_of(self.layout.controls[n]) for n in step.parts if n in self.layout.controls)
        return True

    def _amend(self, change: Change, how: str) -> None:
        """Add a late change to the evidence of the step before."""
        hand = self._late[-1]
        assert isinstance(hand, Hand)
        if how == "is":
            values = {**hand.values, change.channel: change.value}
            outcome = hand.outcome
            if hand.do == "put" and outcome == "seen" and not self._reads(hand.parts, hand.to, values):
                outcome = "otherwise"
            hand = replace(hand, values=values, changes=(*hand.changes, change)[:KEPT], outcome=outcome)
            self._before = dict(self.values)
            self._settled = dict(self.values)
        elif how == "edge":
            hand = replace(hand, edges=(*hand.edges, change)[:KEPT])
        elif how == "skip":
            hand = replace(hand, skips={**hand.skips, change.channel: hand.skips.get(change.channel, 0) + change.value})
        self._late[-1] = hand

    def _close(self, now_us: int, outcome: str) -> None:
        step = self.step
        assert step is not None
        self._outcome = outcome
        self._settled = dict(self.values)
        self.state = "closing"
        self._close_us = now_us + (HOLD_US if len(step.parts) > 1 and step.to else SETTLE_US)
        self._sounds.append("right" if outcome == "seen" else "wrong")

    def _finish(self, now_us: int) -> None:
        """The step at hand is over: write its evidence and go on."""
        step = self.step
        assert step is not None
        if self._said and step.do != "rest":
            right = self._reached() or self._turned()
            self._outcome = "seen" if right else "said"
            self._sounds.append("right" if right else "wrong")
        self._collected.append(
            Hand(
                do=step.do,
                parts=step.parts,
                to=step.to,
                outcome=self._outcome,
                began_us=self.began_us,
                ended_us=now_us,
                before=self._before,
                values=self._settled,
                changes=tuple(self._changes),
                edges=tuple(self._edges),
                readings=tuple(self._readings),
                skips=self._skips,
                ghosts=tuple(dict.fromkeys(self._ghosts)),
            )
        )
        self._late = self._collected if step.do in ("put", "turn", "end") else []
        self._late_until = now_us + LATE_US
        self._next_step(now_us)

    def _answer(
        self, now_us: int, answer: str, lamps: dict[str, Seen], displays: dict[str, bytes], level: str, flickering: bool
    ) -> None:
        step = self.step
        if self.state not in ("look", "light") or step is None:
            return
        if step.do == "digits":
            own = displays.pop(step.parts[0], b"")
            evidence: Evidence = DigitsLook(
                step.parts[0],
                step.picture,
                answer,
                own if answer == "otherwise" else b"",
                displays,
                level,
                flickering,
                now_us,
            )
        else:
            evidence = LampLook(dict(self.wants.lamps), answer, lamps, displays, now_us)
        self._collected.append(evidence)
        self._sounds.append("right" if answer == "same" else "wrong")
        self._next_step(now_us)

    def _next_step(self, now_us: int) -> None:
        self._index += 1
        if self._index < len(self._steps):
            self._begin_step(now_us)
            return
        if not self._again and self._odd(self._collected):
            self._again = True
            self._begin_group(now_us)
            return
        self._keep("done", now_us)
        self._next_group(now_us)

    def _odd(self, evidence: Sequence[Evidence]) -> bool:
        """Whether anything in a group went otherwise than it should, so that it is worth asking once more."""
        for each in evidence:
            if not isinstance(each, Hand) or each.do not in ("put", "turn", "end"):
                continue
            if each.outcome != "seen":
                return True
            own = {key for part in each.parts for key in self.layout.channels_of(part)}
            others = (key for key, spot in self.layout.spots.items() if spot.kind in _STEADY and key not in own)
            if any(each.values.get(key) != each.before.get(key) for key in others):
                return True
        return False

    def _keep(self, how: str, now_us: int) -> None:
        group = self.group
        assert group is not None
        done = Done(group, self._collected, how, self._note, max(0, now_us - self._group_began_us))
        self.done.pop(group.name, None)
        self.done[group.name] = done
        self._fresh.append(done)
        self._collected = []
        self._note = ""

    def _leave(self, how: str, now_us: int) -> None:
        if self.group is not None:
            self._collected = []
            self._keep(how, now_us)
            self._next_group(now_us)


def resume(lines: Iterable[Mapping[str, Any]]) -> list[Done]:
    """Return the finished groups that a journal holds, in order. Raises `Trouble` for a line of the wrong form."""
    done: dict[str, Done] = {}
    for number, line in enumerate(lines, 1):
        if "forget" in line:
            done.pop(str(line["forget"]), None)
        elif "done" in line:
            group = Group(str(line["done"]), str(line.get("kind", "")), tuple(map(str, line.get("parts", ()))))
            evidence = [read(each, f"journal line {number}") for each in line.get("evidence", ())]
            done.pop(group.name, None)
            done[group.name] = Done(
                group, evidence, str(line.get("how", "done")), str(line.get("note", "")), int(line.get("took_us", 0))
            )
    return list(done.values())


__all__ = ["DETENTS", "Digits", "Done", "Walk", "Wants", "resume"]
