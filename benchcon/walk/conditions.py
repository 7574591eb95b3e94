"""What must hold of a board for what is asked of it to prove anything, watched all through a walk: one table.

===========  =============================================  ==============================================  ==========
condition    holds                                          ends                                            matters to
===========  =============================================  ==============================================  ==========
gone         its port was lost, or it answers no more       it is linked and its inputs were read           all
silent       three heartbeats are missing                   it is heard                                     all
reset        it was reset                                   inputs read, and before a look one second       all
gap          lines of it were lost on the way               inputs read                                     all
dark         it says so itself, or confirmed it             it says that dark has ended                     looks
no supply    it says that its lamps have none               it says that they have                          looks
bad lines    (a damaged line came from it, or reached it)   at once                                         answers
===========  =============================================  ==============================================  ==========

While a condition holds on a board that the step at hand is about, nothing is asked and no answer is taken; whatever
happened to such a board since the group was begun makes the group be asked again. An answer by which something was not
as it should be, or by which nothing came of what a hand did, stands only when a heartbeat that was measured after it
says that nothing was amiss: else the walk goes back to it.
What happened to each board is counted in its `Strained`, and becomes evidence of its own (`BoardTrouble`).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple

from benchcon.diagnosis.evidence import BoardTrouble, Evidence
from benchcon.diagnosis.layout import PanelIndex
from benchcon.state.board import is_without_supply
from benchcon.text import printable
from benchcon.walk.channel_changes import Hearing
from benchcon.walk.machine import Walk
from benchcon.walk.plan import LOOK_KINDS, LOOKS, SUPPLY_LOOKS, Group
from benchcon.walk.soak import Strained
from benchcon.walk.supply import SuppliedBoards, named
from benchcon.wire import events as ev

LAST_US = 4_000_000
"""How long the end of a walk waits for the heartbeat that makes its last answers stand, or for three to be missing."""
TOLD_US = 100_000
"""A heartbeat so soon after an answer may have been measured before what was seen, and vouches for nothing."""
SETTLE_US = 1_000_000
"""How long nothing is lit after a reset: what pulls its board down flashes at most once a second."""
TORN_US = 100_000
"""A line that comes to nothing so shortly before a reset or a lost port was torn by it."""


class Condition(NamedTuple):
    """One row of the table, as a person reads it."""

    word: str
    says: str
    """After “board NAME”."""
    do: str
    """What to do about it; empty: it passes by itself."""
    hands: bool
    """Matters to what is asked of the hand as well."""
    over: str = ""
    """After “board NAME”, when it has ended; given where it may be a person's doing, who takes as long as it takes."""

    @property
    def person(self) -> bool:
        """Whether it may be a person's doing."""
        return bool(self.over)


GONE = Condition("gone", "is gone", "plug it in again", True, "is back")
OTHER = Condition("gone", "is gone", "", True, GONE.over)
"""On its port another board answers."""
SILENT = Condition("silent", "is silent", "look at its supply and its cable, or reset it", True, "is heard again")
RESET = Condition("reset", "was reset", "", True)
SETTLING = Condition("reset", "was reset", "", False)
GAP = Condition("gap", "has lost lines on the way", "", True)
DARK = Condition("dark", "is dark", "end dark, or ask again (r), which ends it too", False, "is no longer dark")
NO_SUPPLY = Condition("no supply", "has no supply", "switch its supply on", False, "has supply again")
BAD = Condition("bad lines", "had damaged lines", "", False)


def what_fell(fell: Iterable[Condition]) -> str:
    """What happened to a board, after “its board”; it may have been no more than something that held on it."""
    return " and ".join(each.says for each in fell) or "did not come through well"


Held = tuple[tuple[str, Condition], ...]
"""Boards, each with what holds on it."""


class Conditions:
    """What has happened to the boards of a walk, and what holds on them now."""

    def __init__(self, hearing: Hearing, layout: PanelIndex, before: Iterable[Evidence] = ()) -> None:
        """`before`: what happened to them in an earlier part of the same walk."""
        self.hearing, self.layout = hearing, layout
        self.feeding = SuppliedBoards(hearing, layout)
        self.boards: dict[str, Strained] = {board.name: Strained(board.name) for board in layout.panel.boards}
        self._lit: dict[str, dict[str, int]] = {name: {} for name in self.boards}
        """Board → part that was to light → resets meanwhile."""
        self._together: dict[str, dict[str, int]] = {name: {} for name in self.boards}
        """Board → what happened to it, by its counter's name → how often while all its outputs were lit together."""
        self._together_mv: dict[str, int] = dict.fromkeys(self.boards, 0)
        """Board → its supply at the lowest meanwhile; 0: not known."""
        self._before_mv: dict[str, int] = dict.fromkeys(self.boards, 0)
        """Board → its supply at the last heartbeat before that; 0: not known."""
        self._lit_since: tuple[int, int] = (-1, 0)
        """The step whose outputs are lit, and since when."""
        self._asked_since: tuple[int, int] = (-1, 0)
        """The step that may be lit as soon as the boards have told their supply, and since when it waits for that."""
        self._alive_us: dict[str, int] = {}
        """Board → when its last heartbeat came."""
        self._dimmed: dict[str, int] = dict.fromkeys(self.boards, 0)
        """Board → how often its supply went while it was looked at."""
        self._fell: dict[str, dict[Condition, None]] = {}
        """Board → what happened to it since the group at hand was begun."""
        self._unread: dict[str, Condition] = {}
        """Boards whose inputs are to be read whole before anything is known of them, and why."""
        self._heard_us: dict[str, int] = {}
        """Board → when a good line came from it last."""
        self._reset_us: dict[str, int] = {}
        self._odd_us: dict[str, int] = {}
        self._about: tuple[int, list[str]] = (-1, [])
        self._was_dark: set[str] = set()
        self._silent: set[str] = set()
        self._doubtful: dict[tuple[str, bool], tuple[str, int]] = {}
        """Board, and whether to a look → the first group with an answer that does not stand yet, and when the last such
        answer came."""
        self._switched_off: set[str] = set()
        """Groups that were asked again because the supply went after a switch had been moved."""
        self._over_us: int | None = None
        self._before = {each.board: each for each in before if isinstance(each, BoardTrouble)}

    def begin(self) -> None:
        """Take over what the boards have said so far."""
        self.feeding.begin()
        for board in self.boards:
            state = self.hearing.state_of(board)
            if state is not None and state.dark:
                self._was_dark.add(board)
            if state is not None and not state.no_supply:
                self._before_mv[board] = state.supply_mv

    # What happens -------------------------------------------------------------------------------------------------

    def take(self, event: ev.Event, walk: Walk) -> list[str]:
        """Take what a board says; returns groups that the walk must go back to."""
        board = self.hearing.names.get(event.source)
        if board is None:
            return []
        tally = self.boards[board]
        if not isinstance(event, ev.Boot | ev.Link | ev.Odd):
            self._heard_us[board] = event.at_us
        if isinstance(event, ev.Boot):
            return self._boot(board, event, walk)
        if isinstance(event, ev.Link):
            if event.word == "lost":
                self._count(board, "lost", walk)
                self._untear(board, event.at_us)
                self._unread[board] = GONE
                return self._happened_to(board, GONE)
        elif isinstance(event, ev.Gap):
            if self._unread.get(board) is GONE:
                return []  # what it said meanwhile
            self._count(board, "missing", walk, event.missing)
            self._unread.setdefault(board, GAP)
            return self._happened_to(board, GAP)
        elif isinstance(event, ev.Odd):
            if self._unread.get(board) is not GONE:
                tally.bad_here += 1
                self._odd_us[board] = event.at_us
                self._fell.setdefault(board, {})[BAD] = None
        elif isinstance(event, ev.Answered) and event.words[:1] == ("read",):
            state = self.hearing.state_of(board)
            if state is not None and state.known:
                self._unread.pop(board, None)
        elif isinstance(event, ev.Alive):
            return self._alive(board, event, walk)
        elif isinstance(event, ev.Told) and event.words[:1] == ("dark",):
            self._count(board, "darks", walk, event.words[1:2] == ("deadman",))
            return self._darkened(board, at_once=True)
        elif isinstance(event, ev.Answered) and event.words[:1] == ("dark",):
            return self._darkened(board, at_once=True)
        elif isinstance(event, ev.Answered) and event.words[:1] == ("light",):
            self._was_dark.discard(board)
        else:
            button = self.layout.channels_of(walk.answer_button) if walk.answer_button else ()
            self.feeding.moved(board, event, button)
        return []

    def _boot(self, board: str, event: ev.Boot, walk: Walk) -> list[str]:
        self._reset_us[board] = event.at_us
        if self._unread.get(board) is GONE:
            return []  # plugged in again it restarts, of course
        self.boards[board].booted(event.cause)
        self._untear(board, event.at_us)
        if self._all_lit(board, walk):
            self._together[board]["resets"] = self._together[board].get("resets", 0) + 1
        elif walk.step is not None and walk.step.do in LOOKS and board in self.concerned(walk):
            for name in walk.step.parts:
                self._lit[board][name] = self._lit[board].get(name, 0) + 1
        self._unread[board] = RESET
        # It may have been off, or in its boot loader, for as long as it has not been heard.
        heard_us = self._heard_us.get(board, 0)
        was_off = any(at_us > heard_us for (name, _), (_, at_us) in self._doubtful.items() if name == board)
        return self._happened_to(board, RESET, at_once=event.cause != "seen" and not was_off)

    def _all_lit(self, board: str, walk: Walk) -> bool:
        """Whether the step at hand has all outputs of the board lit together."""
        return walk.step is not None and walk.step.do == "together" and board in self.concerned(walk)

    def _count(self, board: str, what: str, walk: Walk, by: int = 1) -> None:
        """Something has happened to a board `by` times; `what` is the name of its counter."""
        setattr(self.boards[board], what, getattr(self.boards[board], what) + by)
        if by and self._all_lit(board, walk):
            self._together[board][what] = self._together[board].get(what, 0) + by

    def may_be_lit(self, walk: Walk, now_us: int) -> bool:
        """Whether the step at hand may be lit. Before all is lit together each board has said what its supply is.

        One that sends no heartbeats is not waited for.
        """
        if walk.step is None or walk.step.do != "together":
            return True
        if self._asked_since[0] != walk.step_number:
            self._asked_since = walk.step_number, now_us
        told = all(self._before_mv[board] or board in self._alive_us for board in self.concerned(walk))
        return told or now_us - self._asked_since[1] > LAST_US

    def lit(self, walk: Walk, now_us: int) -> bool:
        """The boards have confirmed what the step at hand wants lit; return whether it can be looked at.

        Where all is lit together each board has to have told since that it bears it.
        """
        if self._lit_since[0] != walk.step_number:
            self._lit_since = walk.step_number, now_us
        if walk.step is None or walk.step.do != "together":
            return True
        since_us = self._lit_since[1]
        return now_us - since_us > LAST_US or all(
            self._alive_us.get(board, -1) > since_us for board in self.concerned(walk)
        )

    def _untear(self, board: str, at_us: int) -> None:
        """A reset, or a plug that is pulled, tears the line that is on its way: that is not a fault of the line."""
        if at_us - self._odd_us.pop(board, -TORN_US) < TORN_US:
            self.boards[board].bad_here -= 1

    def _alive(self, board: str, event: ev.Alive, walk: Walk) -> list[str]:
        tally = self.boards[board]
        bad = tally.bad_there
        tally.alive(event.supply_mv, event.bad_lines, event.worst_loop_us, not walk.wants.lamps)
        waited_for = not self._before_mv[board] and board not in self._alive_us  # see `may_be_lit`
        self._alive_us[board] = event.at_us
        if event.supply_mv and not is_without_supply(event.supply_mv):
            if waited_for or not self._all_lit(board, walk):
                self._before_mv[board] = event.supply_mv
            elif self._lit_since[0] == walk.step_number:
                self._together_mv[board] = min(self._together_mv[board] or event.supply_mv, event.supply_mv)
        if tally.bad_there != bad:
            self._fell.setdefault(board, {})[BAD] = None
        self._silent.discard(board)
        if self.feeding.take_heartbeat(board, event):
            asked = walk.state == "look" and walk.step is not None and walk.step.do in LOOKS
            if self._all_lit(board, walk):
                self._together[board]["no_supply"] = self._together[board].get("no_supply", 0) + 1
                asked = True
            self._dimmed[board] += asked and board in self.concerned(walk)
            return self._happened_to(board, NO_SUPPLY)
        if event.dark:
            return [] if board in self._was_dark else self._darkened(board, at_once=False)
        self._was_dark.discard(board)
        for look in (False, True):
            answered_us = self._doubtful.get((board, look), ("", 0))[1]
            if event.at_us > answered_us + TOLD_US and not (look and self.is_without_supply(board)):
                self._doubtful.pop((board, look), None)
        return []

    def is_without_supply(self, board: str) -> bool:
        """Whether the board has said that its lamps have no supply."""
        return board in self.feeding.no_supply

    def _darkened(self, board: str, at_once: bool) -> list[str]:
        self._was_dark.add(board)
        return self._happened_to(board, DARK, at_once)

    def _happened_to(self, board: str, what: Condition, at_once: bool = False) -> list[str]:
        """Return the groups whose answers this makes doubtful; none if the board has told it `at_once`."""
        self._fell.setdefault(board, {})[what] = None
        if at_once:
            return []
        sorts = (True, False) if what.hands else (True,)
        found = [self._doubtful.pop((board, look), ("", 0)) for look in sorts]
        return [group for group, answered_us in found if group and not self._was_switched_off(what, group, answered_us)]

    def _was_switched_off(self, what: Condition, group: str, answered_us: int) -> bool:
        """Whether the supply went because a switch was moved after the answer; that it was so is doubted once."""
        if what is not NO_SUPPLY or self.feeding.moved_us <= answered_us:
            return False
        again = group in self._switched_off
        self._switched_off.add(group)
        return again

    def tick(self, now_us: int, walk: Walk) -> list[str]:
        """Time has passed, and silence is nothing that a board says; returns groups that the walk must go back to."""
        groups: list[str] = []
        for board in self.boards:
            state = self.hearing.state_of(board)
            if state is not None and board not in self._silent and state.liveness(now_us) == "silent":
                self._silent.add(board)
                self._count(board, "silences", walk)
                groups += self._happened_to(board, SILENT)
        return groups

    def looked(self, walk: Walk, right: bool, now_us: int) -> None:
        """The eye has answered the step at hand; `right`: all is as it should be."""
        if walk.step is not None and (not right or walk.step.do == "dark"):  # what has lit was lit
            self._doubt(walk, now_us)

    def done(self, walk: Walk, now_us: int) -> None:
        """The hand says that it has done what was asked, and nothing of it was heard so far."""
        self._doubt(walk, now_us)

    def odd(self, group: Group, now_us: int) -> None:
        """What the hand did in this group, which is over, was not all heard as it should be: lines may be on their way
        that never come, which the next good one tells."""
        if group.kind not in LOOK_KINDS:
            names = [name for name in group.parts if self.layout.part(name).wired]
            self._doubt_of(group.name, self._boards_with(names), False, now_us)

    def _doubt(self, walk: Walk, now_us: int) -> None:
        if walk.group is not None:
            look = walk.step is not None and walk.step.do in LOOKS
            self._doubt_of(walk.group.name, self.concerned(walk), look, now_us)

    def _doubt_of(self, group: str, boards: Iterable[str], look: bool, now_us: int) -> None:
        self._over_us = None
        for board in boards:
            first = self._doubtful.get((board, look), (group, 0))[0]
            self._doubtful[board, look] = first, now_us

    # How it stands ------------------------------------------------------------------------------------------------

    def concerned(self, walk: Walk) -> list[str]:
        """Boards that the group at hand is about."""
        if self._about[0] != walk.step_number:
            self._about = walk.step_number, self._boards_of(walk)
        return self._about[1]

    def _boards_of(self, walk: Walk) -> list[str]:
        group, step = walk.group, walk.step
        if group is None or step is None:
            return []
        names: Sequence[str] = group.parts
        if not names:  # hands off everything, or all dark: as far as the walk goes
            kinds = ("lamp", "display") if step.do in LOOKS else ("control",)
            names = [each.name for each in walk.groups if each.kind in kinds]
        return self._boards_with([name for name in names if self.layout.part(name).wired])

    def _boards_with(self, names: Iterable[str]) -> list[str]:
        spots = self.layout.spots
        return list(dict.fromkeys(spots[key].channel.board for name in names for key in self.layout.channels_of(name)))

    def holding(self, walk: Walk, now_us: int) -> Held:
        """Return what holds now on boards that the step at hand is about, and matters to it."""
        out: list[tuple[str, Condition]] = []
        for board in self.concerned(walk):
            what = self._holds(board, now_us)
            if what is not None and _matters(what, walk):
                out.append((board, what))
        return tuple(out)

    def _holds(self, board: str, now_us: int) -> Condition | None:
        state = self.hearing.state_of(board)
        if state is None or state.link != "linked":
            return OTHER if self._instead(board) else GONE
        if state.liveness(now_us) == "silent":
            return SILENT
        if (why := self._unread.get(board)) is not None:
            if why is RESET or not state.known:
                return why
            del self._unread[board]  # read before this was noticed
        if now_us - self._reset_us.get(board, -SETTLE_US) < SETTLE_US:
            return SETTLING
        if state.dark:
            return DARK
        return NO_SUPPLY if self.is_without_supply(board) else None

    def _instead(self, board: str) -> str:
        """The ident of another board that answers on the port of this one, which is gone; empty: none does."""
        state = self.hearing.state_of(board)
        if state is None or not state.port:
            return ""
        # What it is called is the panel's to say: a board that answers in its place is asked by its number first.
        own = self.layout.panel.board(board)
        others = (each for each in self.hearing.linked() if each.port == state.port and each is not state)
        return next((each.ident for each in others if own is None or each.ident != own.own_ident), "")

    def fallen(self, walk: Walk) -> tuple[Condition, ...]:
        """Return what happened to the boards of the group at hand since it was begun and matters to its step."""
        fell = dict.fromkeys(c for board in self.concerned(walk) for c in self._fell.get(board, ()))
        return tuple(c for c in fell if _matters(c, walk))

    def upset(self, walk: Walk) -> tuple[str, ...]:
        """Return the boards of the group at hand to which anything happened since it was begun."""
        return tuple(b for b in self.concerned(walk) if any(_matters(c, walk) for c in self._fell.get(b, ())))

    def begun(self) -> None:
        """A group was begun, or is asked again: what happened to a board before does not touch it."""
        self._fell.clear()

    def settled(self, now_us: int) -> bool:
        """Whether, the walk being over, all answers stand; the last ones wait for the next heartbeat."""
        self._over_us = now_us if self._over_us is None else self._over_us
        return not self._doubtful or now_us - self._over_us >= LAST_US

    def evidence(self) -> list[Evidence]:
        """Return what happened to each board to which anything did."""
        out: list[Evidence] = []
        for name, tally in self.boards.items():
            new = BoardTrouble(
                name,
                tally.resets,
                tuple(dict.fromkeys(tally.causes)),
                self._lit[name],
                tally.lost,
                tally.silences,
                tally.darks,
                self._dimmed[name],
                tally.bad_here,
                tally.bad_there,
                tally.missing,
                self._together[name],
                self._before_mv[name] if self._together_mv[name] else 0,
                self._together_mv[name],
            )
            old = self._before.get(name)
            whole = new if old is None else old.plus(new)
            if whole.any:
                out.append(whole)
        return out

    def advice(self, held: Held) -> str:
        """Say in one sentence what holds and what to do about it."""
        by: dict[Condition, list[str]] = {}
        for board, what in held:
            by.setdefault(what, []).append(board)
        said = []
        for what, boards in by.items():
            if what is NO_SUPPLY:
                said.append(self.feeding.advice(boards))
                continue
            if what is OTHER:
                said += [
                    f"board '{printable(board)}' is gone, and on its port '{printable(self._instead(board))}' answers, "
                    f"which is another board: plug '{printable(board)}' in; if this is it, its firmware has the wrong "
                    "ident"
                    for board in boards
                ]
                continue
            names = named(boards)
            does = what.says.replace("is ", "are ").replace("was ", "were ").replace("has ", "have ")
            head = f"board {names} {what.says}" if len(boards) == 1 else f"boards {names} {does}"
            said.append(f"{head}: {what.do}" if what.do else head)
        return "; ".join(said)


def _matters(what: Condition, walk: Walk) -> bool:
    """Whether `what` touches what the step at hand asks; that a supply is off is just what is looked at there."""
    do = walk.step.do if walk.step is not None else ""
    return what.hands or do in LOOKS or (do in SUPPLY_LOOKS and what is not NO_SUPPLY)
