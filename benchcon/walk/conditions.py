"""Conditions of a board under which a walk's questions prove nothing, watched all through the walk, as one table.

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

While a condition holds on a board that the current step is about, nothing is asked and no answer is accepted. If
anything happened to such a board since the group began, the group is asked again. An answer that something was wrong,
or that nothing came of a hand's action, is final only when a heartbeat measured after it says that all was well;
otherwise the walk goes back to it. What happened to each board is counted in its `BoardHealth`, and becomes evidence
(`BoardTrouble`).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple

from benchcon.diagnosis.evidence import BoardTrouble, Evidence
from benchcon.diagnosis.layout import PanelIndex
from benchcon.state.board import is_without_supply
from benchcon.text import printable
from benchcon.walk.channel_changes import PanelBoards
from benchcon.walk.machine import Walk
from benchcon.walk.plan import LOOK_KINDS, LOOKS, SUPPLY_LOOKS, Group
from benchcon.walk.soak import BoardHealth
from benchcon.walk.supply import SuppliedBoards, named
from benchcon.wire import events as ev

LAST_US = 4_000_000
"""How long the end of a walk waits for the heartbeat that makes its last answers final, or for three to be missing."""
TOLD_US = 100_000
"""A heartbeat this soon after an answer may have been measured before it, and confirms nothing."""
SETTLE_US = 1_000_000
"""How long nothing is lit after a reset, so that an output that pulls its board down flashes at most once a second."""
TORN_US = 100_000
"""An incomplete line this shortly before a reset or a lost port was cut off by it."""


class Condition(NamedTuple):
    """One row of the table, with its words for people."""

    word: str
    says: str
    """What follows “board NAME” while it holds."""
    do: str
    """What the person should do; empty if it passes by itself."""
    hands: bool
    """It also matters to what is asked of the hand."""
    over: str = ""
    """What follows “board NAME” when it has ended; given if a person may cause it, so that it may last any time."""

    @property
    def person(self) -> bool:
        """Whether a person may cause it."""
        return bool(self.over)


GONE = Condition("gone", "is gone", "plug it in again", True, "is back")
OTHER = Condition("gone", "is gone", "", True, GONE.over)
"""The board is gone, and another board answers on its port."""
SILENT = Condition("silent", "is silent", "look at its supply and its cable, or reset it", True, "is heard again")
RESET = Condition("reset", "was reset", "", True)
SETTLING = Condition("reset", "was reset", "", False)
GAP = Condition("gap", "has lost lines on the way", "", True)
DARK = Condition("dark", "is dark", "end dark, or ask again (r), which ends it too", False, "is no longer dark")
NO_SUPPLY = Condition("no supply", "has no supply", "switch its supply on", False, "has supply again")
BAD = Condition("bad lines", "had damaged lines", "", False)


def what_fell(fell: Iterable[Condition]) -> str:
    """Return what happened to a board, as words that follow “its board”."""
    return " and ".join(each.says for each in fell) or "did not come through well"


Held = tuple[tuple[str, Condition], ...]
"""Boards, each with the condition that holds on it."""


class Conditions:
    """What has happened to the boards of a walk, and what holds on them now."""

    def __init__(self, panel_boards: PanelBoards, layout: PanelIndex, before: Iterable[Evidence] = ()) -> None:
        """`before` is the evidence of what happened to the boards in an earlier part of the same walk."""
        self.panel_boards, self.layout = panel_boards, layout
        self.supplied = SuppliedBoards(panel_boards, layout)
        self.boards: dict[str, BoardHealth] = {board.name: BoardHealth(board.name) for board in layout.panel.boards}
        self._lit: dict[str, dict[str, int]] = {name: {} for name in self.boards}
        """For each board, by part commanded to light, the resets meanwhile."""
        self._together: dict[str, dict[str, int]] = {name: {} for name in self.boards}
        """For each board, by counter, how often that happened while all its outputs were lit together."""
        self._together_mv: dict[str, int] = dict.fromkeys(self.boards, 0)
        """For each board the lowest supply voltage meanwhile; 0: not known."""
        self._before_mv: dict[str, int] = dict.fromkeys(self.boards, 0)
        """For each board the supply voltage at the last heartbeat before; 0: not known."""
        self._lit_since: tuple[int, int] = (-1, 0)
        """Number of the step whose outputs are lit, and since when (µs)."""
        self._asked_since: tuple[int, int] = (-1, 0)
        """Number of the step that waits for the boards to report their supply, and since when (µs)."""
        self._alive_us: dict[str, int] = {}
        """For each board the time of its last heartbeat (µs)."""
        self._dimmed: dict[str, int] = dict.fromkeys(self.boards, 0)
        """For each board how often its supply failed while it was looked at."""
        self._fell: dict[str, dict[Condition, None]] = {}
        """For each board what happened to it since the current group began, in order."""
        self._unread: dict[str, Condition] = {}
        """Boards all of whose inputs must be read before anything is known of them, and why."""
        self._heard_us: dict[str, int] = {}
        """For each board the time of the last valid line from it (µs)."""
        self._reset_us: dict[str, int] = {}
        self._odd_us: dict[str, int] = {}
        self._about: tuple[int, list[str]] = (-1, [])
        self._was_dark: set[str] = set()
        self._silent: set[str] = set()
        self._doubtful: dict[tuple[str, bool], tuple[str, int]] = {}
        """By board, and whether it was a look: the first group with an answer that is not final yet, and the time of
        the last such answer."""
        self._switched_off: set[str] = set()
        """Groups that were asked again because the supply failed after a switch had been moved."""
        self._over_us: int | None = None
        self._before = {each.board: each for each in before if isinstance(each, BoardTrouble)}

    def begin(self) -> None:
        """Begin with the present states of the boards."""
        self.supplied.begin()
        for board in self.boards:
            state = self.panel_boards.state_of(board)
            if state is not None and state.dark:
                self._was_dark.add(board)
            if state is not None and not state.no_supply:
                self._before_mv[board] = state.supply_mv

    # What happens -------------------------------------------------------------------------------------------------

    def take(self, event: ev.Event, walk: Walk) -> list[str]:
        """Take an event of a board; return the groups that the walk must go back to."""
        board = self.panel_boards.names.get(event.source)
        if board is None:
            return []
        tally = self.boards[board]
        if not isinstance(event, ev.Asked | ev.Boot | ev.Link | ev.Odd):
            self._heard_us[board] = event.at_us
        if isinstance(event, ev.Boot):
            return self._boot(board, event, walk)
        if isinstance(event, ev.Link):
            if event.word == "lost":
                self._count(board, "lost", walk)
                tally.cut_off()
                self._untear(board, event.at_us)
                self._unread[board] = GONE
                return self._happened_to(board, GONE)
        elif isinstance(event, ev.Gap):
            if self._unread.get(board) is GONE:
                return []  # it was sent before the board's inputs were read again
            self._count(board, "missing", walk, event.missing)
            self._unread.setdefault(board, GAP)
            return self._happened_to(board, GAP)
        elif isinstance(event, ev.Odd):
            if self._unread.get(board) is not GONE:
                tally.bad_here += 1
                self._odd_us[board] = event.at_us
                self._fell.setdefault(board, {})[BAD] = None
        elif isinstance(event, ev.Answered) and event.words[:1] == ("read",):
            state = self.panel_boards.state_of(board)
            if state is not None and state.known:
                self._unread.pop(board, None)
        elif isinstance(event, ev.Alive):
            return self._alive(board, event, walk)
        elif isinstance(event, ev.Notification) and event.words[:1] == ("dark",):
            self._count(board, "darks", walk, event.words[1:2] == ("deadman",))
            return self._darkened(board, at_once=True)
        elif isinstance(event, ev.Answered) and event.words[:1] == ("dark",):
            return self._darkened(board, at_once=True)
        elif isinstance(event, ev.Answered) and event.words[:1] == ("light",):
            self._was_dark.discard(board)
        else:
            button = self.layout.channels_of(walk.answer_button) if walk.answer_button else ()
            self.supplied.moved(board, event, button)
        return []

    def _boot(self, board: str, event: ev.Boot, walk: Walk) -> list[str]:
        self._reset_us[board] = event.at_us
        if self._unread.get(board) is GONE:
            return []  # a board that is plugged in again restarts, of course
        self.boards[board].booted(event.cause)
        self._untear(board, event.at_us)
        if self._all_lit(board, walk):
            self._together[board]["resets"] = self._together[board].get("resets", 0) + 1
        elif walk.step is not None and walk.step.do in LOOKS and board in self.concerned(walk):
            for name in walk.step.parts:
                self._lit[board][name] = self._lit[board].get(name, 0) + 1
        self._unread[board] = RESET
        # It may have been off, or in its boot loader, since it was last heard.
        heard_us = self._heard_us.get(board, 0)
        was_off = any(at_us > heard_us for (name, _), (_, at_us) in self._doubtful.items() if name == board)
        return self._happened_to(board, RESET, at_once=event.cause != "seen" and not was_off)

    def _all_lit(self, board: str, walk: Walk) -> bool:
        """Return whether the current step has all outputs of the board lit together."""
        return walk.step is not None and walk.step.do == "together" and board in self.concerned(walk)

    def _count(self, board: str, what: str, walk: Walk, by: int = 1) -> None:
        """Add `by` to the board's counter `what`."""
        setattr(self.boards[board], what, getattr(self.boards[board], what) + by)
        if by and self._all_lit(board, walk):
            self._together[board][what] = self._together[board].get(what, 0) + by

    def may_be_lit(self, walk: Walk, now_us: int) -> bool:
        """Return whether the current step may be lit. Before all is lit together, each board must report its supply.

        A board that sends no heartbeats is not waited for.
        """
        if walk.step is None or walk.step.do != "together":
            return True
        if self._asked_since[0] != walk.step_number:
            self._asked_since = walk.step_number, now_us
        reported = all(self._before_mv[board] or board in self._alive_us for board in self.concerned(walk))
        return reported or now_us - self._asked_since[1] > LAST_US

    def lit(self, walk: Walk, now_us: int) -> bool:
        """Note that the boards have confirmed the outputs of the current step; return whether it can be looked at.

        If all is lit together, each board must have sent a heartbeat since.
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
        """Uncount an incomplete line just before `at_us`, which a reset or a pulled plug has cut off."""
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
        if self.supplied.take_heartbeat(board, event):
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
        """Return whether the board has reported that its lamps have no supply."""
        return board in self.supplied.no_supply

    def _darkened(self, board: str, at_once: bool) -> list[str]:
        self._was_dark.add(board)
        return self._happened_to(board, DARK, at_once)

    def _happened_to(self, board: str, what: Condition, at_once: bool = False) -> list[str]:
        """Return the groups whose answers `what` makes doubtful; none if the board has reported it `at_once`."""
        self._fell.setdefault(board, {})[what] = None
        if at_once:
            return []
        sorts = (True, False) if what.hands else (True,)
        found = [self._doubtful.pop((board, look), ("", 0)) for look in sorts]
        return [group for group, answered_us in found if group and not self._was_switched_off(what, group, answered_us)]

    def _was_switched_off(self, what: Condition, group: str, answered_us: int) -> bool:
        """Return whether the supply failed because a switch was moved after the answer; each group is doubted once."""
        if what is not NO_SUPPLY or self.supplied.moved_us <= answered_us:
            return False
        again = group in self._switched_off
        self._switched_off.add(group)
        return again

    def tick(self, now_us: int, walk: Walk) -> list[str]:
        """Check for silence, which is no event, at `now_us`; return the groups that the walk must go back to."""
        groups: list[str] = []
        for board in self.boards:
            state = self.panel_boards.state_of(board)
            if state is not None and board not in self._silent and state.liveness(now_us) == "silent":
                self._silent.add(board)
                self._count(board, "silences", walk)
                groups += self._happened_to(board, SILENT)
        return groups

    def looked(self, walk: Walk, right: bool, now_us: int) -> None:
        """Note that the eye has answered the current step; `right` means that all is as it should be."""
        if walk.step is not None and (not right or walk.step.do == "dark"):  # what was seen lit cannot be doubted
            self._doubt(walk, now_us)

    def done(self, walk: Walk, now_us: int) -> None:
        """Note that the hand says it has done what was asked, although nothing was heard of it."""
        self._doubt(walk, now_us)

    def odd(self, group: Group, now_us: int) -> None:
        """Note that not all that the hand did in `group`, which is over, was heard as it should be.

        Lines may have been lost; the next valid one will show it.
        """
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
        """Return the boards that the current group is about."""
        if self._about[0] != walk.step_number:
            self._about = walk.step_number, self._boards_of(walk)
        return self._about[1]

    def _boards_of(self, walk: Walk) -> list[str]:
        group, step = walk.group, walk.step
        if group is None or step is None:
            return []
        names: Sequence[str] = group.parts
        if not names:  # hands off, or all dark: every board of the walk
            kinds = ("lamp", "display") if step.do in LOOKS else ("control",)
            names = [each.name for each in walk.groups if each.kind in kinds]
        return self._boards_with([name for name in names if self.layout.part(name).wired])

    def _boards_with(self, names: Iterable[str]) -> list[str]:
        spots = self.layout.spots
        return list(dict.fromkeys(spots[key].channel.board for name in names for key in self.layout.channels_of(name)))

    def holding(self, walk: Walk, now_us: int) -> Held:
        """Return the conditions that hold now on boards of the current step and matter to it."""
        out: list[tuple[str, Condition]] = []
        for board in self.concerned(walk):
            what = self._holds(board, now_us)
            if what is not None and _matters(what, walk):
                out.append((board, what))
        return tuple(out)

    def _holds(self, board: str, now_us: int) -> Condition | None:
        state = self.panel_boards.state_of(board)
        if state is not None and state.link == "asking" and not state.is_silent(now_us):
            return self._unread.get(board, RESET)  # a reset of which the event is still to come, or plugged in again
        if state is None or state.link != "linked":
            return OTHER if self._instead(board) else GONE
        if state.liveness(now_us) == "silent":
            return SILENT
        if (why := self._unread.get(board)) is not None:
            if why is not GAP or not state.known:
                return why  # for one that came back: what it says as it restarts is still to be heard
            del self._unread[board]  # its inputs were read before this was noticed
        if now_us - self._reset_us.get(board, -SETTLE_US) < SETTLE_US:
            return SETTLING
        if state.dark:
            return DARK
        return NO_SUPPLY if self.is_without_supply(board) else None

    def _instead(self, board: str) -> str:
        """Return the ident of another board that answers on the port of this one, which is gone; empty if none does."""
        state = self.panel_boards.state_of(board)
        if state is None or not state.port:
            return ""
        # Names are given by the panel, so the board on that port is looked up by its source number first.
        own = self.layout.panel.board(board)
        others = (each for each in self.panel_boards.linked() if each.port == state.port and each is not state)
        return next((each.ident for each in others if own is None or each.ident != own.own_ident), "")

    def fallen(self, walk: Walk) -> tuple[Condition, ...]:
        """Return what happened to the boards of the current group since it began, and matters to its step."""
        fell = dict.fromkeys(c for board in self.concerned(walk) for c in self._fell.get(board, ()))
        return tuple(c for c in fell if _matters(c, walk))

    def upset(self, walk: Walk) -> tuple[str, ...]:
        """Return the boards of the current group to which anything happened since it began."""
        return tuple(b for b in self.concerned(walk) if any(_matters(c, walk) for c in self._fell.get(b, ())))

    def begun(self) -> None:
        """Note that a group begins, or is asked again: what happened to a board before does not affect it."""
        self._fell.clear()

    def settled(self, now_us: int) -> bool:
        """Return whether, at the end of the walk, all answers are final; the last ones need another heartbeat."""
        self._over_us = now_us if self._over_us is None else self._over_us
        return not self._doubtful or now_us - self._over_us >= LAST_US

    def evidence(self) -> list[Evidence]:
        """Return as evidence what happened to each board, for those to which anything did."""
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
        """Return in one sentence what holds and what to do about it."""
        by: dict[Condition, list[str]] = {}
        for board, what in held:
            by.setdefault(what, []).append(board)
        said = []
        for what, boards in by.items():
            if what is NO_SUPPLY:
                said.append(self.supplied.advice(boards))
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
    """Return whether `what` matters to the current step. Steps about a supply want it to be off."""
    do = walk.step.do if walk.step is not None else ""
    return what.hands or do in LOOKS or (do in SUPPLY_LOOKS and what is not NO_SUPPLY)
