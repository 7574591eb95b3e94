"""Whether what is to be looked at can be lit at all: boards tell their lamps' supply in their signs of life.

A lamp without supply is not dead. So nothing is looked at on a board that says it is unfed, nor before a board has
said how it is fed since a contact was last moved (that contact may be the one that feeds it). And an answer that
nothing, or something else, was lit stands only when the next sign of life says that there was supply. Boards that do
not tell their supply are taken to be fed.
"""

from __future__ import annotations

from collections.abc import Sequence

from benchcon.diagnosis.layout import Layout
from benchcon.state.board import is_unfed
from benchcon.text import printable
from benchcon.walk.channel_changes import Hearing
from benchcon.walk.interfaces import Face
from benchcon.walk.machine import Walk
from benchcon.wire import events as ev

ACTS_US = 200_000
"""What a switch feeds is fed, or is not, this long after it was moved."""
LAST_US = 2_500_000
"""How long the end of a walk waits for the sign of life that makes its last answers stand."""
PATIENCE_US = 8_000_000
"""How long a robot, which has put back what it moved, waits for the supply of what it is to look at."""
LONG_AGO = -(1 << 60)
_MOST_NAMES = 3


class Feeding:
    """Which boards have supply for their lamps and displays, as they say themselves."""

    def __init__(self, hearing: Hearing, layout: Layout) -> None:
        self.hearing, self.layout = hearing, layout
        self.unfed: set[str] = set()
        """Boards that said so last."""
        self._told_us: dict[str, int] = {}
        """Board that tells its supply → when it last did."""
        self._moved_us = LONG_AGO
        self._moved: dict[str, dict[str, None]] = {}
        """Board → labels of what was moved since it last said that it is fed; of an unfed one, before it was not."""
        self._doubtful: dict[str, tuple[str, int]] = {}
        """Board → the first group with an answer that does not stand yet, and when the last such answer came."""
        self.waiting: tuple[str, ...] = ()
        """Boards without supply that the walk waits for."""
        self._given_up: set[str] = set()
        """Those that a robot waits for no more."""
        self._since_us = 0
        self._over_us: int | None = None

    def begin(self) -> None:
        """Take over what the boards have said so far."""
        with self.hearing.session.lock:
            for source, name in self.hearing.names.items():
                board = self.hearing.session.state.boards.get(source)
                if board is not None and board.supply_mv:
                    self._told_us[name] = 0
                    if board.unfed:
                        self.unfed.add(name)

    def take(self, event: ev.Event, button: tuple[str, ...] = ()) -> tuple[bool, str]:
        """Take what a board says; channels of `button` answer questions, and feed nothing.

        Returns whether a board is unfed that was not, and the group to go back to (empty: none): what has been looked
        at since the board was last known to be fed proves nothing.
        """
        board = self.hearing.names.get(event.source)
        if board is None:
            return False, ""
        if isinstance(event, ev.Moved):
            self._move(board, event, button)
        elif isinstance(event, ev.Alive) and event.supply_mv:
            self._told_us[board] = event.at_us
            group, at_us = self._doubtful.get(board, ("", LONG_AGO))
            if not is_unfed(event.supply_mv):
                self.unfed.discard(board)
                self._moved.pop(board, None)
                if event.at_us > at_us:
                    self._doubtful.pop(board, None)
            else:
                fresh = board not in self.unfed
                self.unfed.add(board)
                self._doubtful.pop(board, None)
                return fresh, group
        return False, ""

    def _move(self, board: str, event: ev.Moved, button: tuple[str, ...]) -> None:
        for id_ in event.values:
            key = f"{board}.{id_}"
            spot = self.layout.spots.get(key)
            if spot is not None and spot.kind in ("contact", "selector") and key not in button:
                self._moved_us = event.at_us
                for other in self._told_us:
                    if other not in self.unfed:
                        self._moved.setdefault(other, {})[spot.part.label or spot.part.name] = None

    def looked(self, walk: Walk, right: bool, now_us: int) -> None:
        """The step at hand is about to be answered; `right`: as it should be."""
        if walk.step is None or walk.group is None or (right and walk.step.do != "dark"):
            return  # what has lit was fed
        for board in self.boards(walk):
            if board in self._told_us:
                self._doubtful[board] = (self._doubtful.get(board, (walk.group.name, 0))[0], now_us)

    def heard(self, event: ev.Event, walk: Walk) -> None:
        """Take what a board says, and ask anew what was looked at without supply."""
        button = self.layout.channels_of(walk.answer_button) if walk.answer_button else ()
        went, group = self.take(event, button)
        if group and group in walk.done:
            self._over_us = None
            for _ in walk.groups:
                if group in walk.done:
                    walk.back(event.at_us)
        elif (went or group) and walk.state == "look" and self.lacking(walk):
            walk.again(event.at_us)

    def tend(self, walk: Walk, face: Face, now_us: int) -> bool:
        """Say when the walk begins and ends to wait for supply; return whether it does. A robot waits a while only."""
        looking = walk.state in ("light", "look")
        lacking = tuple(self.lacking(walk)) if looking else ()
        if lacking != self.waiting:
            if lacking:
                face.warn(f"{self.advice(lacking)}; the walk waits for it")
            elif looking:
                face.warn("there is supply again")
            self.waiting, self._since_us = lacking, now_us
        if lacking and face.robot and (now_us - self._since_us > PATIENCE_US or self._given_up.issuperset(lacking)):
            self._given_up.update(lacking)
            walk.note(self.advice(lacking))
            walk.skip(now_us)
        elif not lacking and walk.state == "look":
            self._given_up.clear()
        return bool(lacking)

    def settled(self, now_us: int) -> bool:
        """Whether, the walk being over, all answers stand; the last ones wait for the next sign of life."""
        self._over_us = now_us if self._over_us is None else self._over_us
        return not self._doubtful or now_us - self._over_us >= LAST_US

    def boards(self, walk: Walk) -> list[str]:
        """Boards that must be fed for the step at hand to be looked at."""
        step = walk.step
        if step is None or step.do not in ("dark", "lamp", "digits"):
            return []
        names = step.parts or tuple(g.name for g in walk.groups if g.kind in ("lamp", "digits"))
        return list(dict.fromkeys(self.layout.spots[key].channel.board for n in names for key in self._keys(n)))

    def _keys(self, name: str) -> tuple[str, ...]:
        return self.layout.channels_of(name) if self.layout.part(name).wired else ()

    def lacking(self, walk: Walk) -> list[str]:
        """Boards that say they are unfed, of those that the step at hand wants to look at."""
        return [board for board in self.boards(walk) if board in self.unfed]

    def ready(self, walk: Walk) -> bool:
        """Whether the step at hand may be looked at."""
        told = [self._told_us[board] for board in self.boards(walk) if board in self._told_us]
        return not self.lacking(walk) and all(at_us >= self._moved_us + ACTS_US or not at_us for at_us in told)

    def advice(self, boards: Sequence[str]) -> str:
        """Say in one sentence that `boards` are unfed, and what to switch on."""
        one = len(boards) == 1
        names = " and ".join(f"'{printable(board)}'" for board in boards)
        head = f"board {names} is unfed" if one else f"boards {names} are unfed"
        moved = list(dict.fromkeys(label for board in boards for label in self._moved.get(board, ())))
        back = " or ".join(f"“{printable(label)}”" for label in moved) if len(moved) <= _MOST_NAMES else ""
        on = f"switch {'its' if one else 'their'} supply on"
        return f"{head}, nothing there can light: {f'put {back} back, or ' if back else ''}{on}"
