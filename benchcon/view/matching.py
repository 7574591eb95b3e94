"""Evenly bright by eye: lights a reference lamp and another one, whose trim is stepped until they look alike.

Nothing here waits. Levels go to the link as intents, subject to its limits, budgets and dark like any others.
"""

from __future__ import annotations

from concurrent.futures import Future
from dataclasses import replace
from typing import TYPE_CHECKING

from benchcon.errors import Trouble
from benchcon.link.outcomes import say
from benchcon.panel.edit import PanelFile
from benchcon.panel.lightness import FULL, looks_permille, sent_permille
from benchcon.panel.model import Display, Lamp, Panel
from benchcon.panel.segments import segments_of
from benchcon.state.board import find_channel
from benchcon.view.showing import board_name, label_of
from benchcon.view.why_not import NOTHING_TO_LIGHT
from benchcon.walk import occupied
from benchcon.wire.host import Outcome

if TYPE_CHECKING:
    from benchcon.view.model import ViewModel

STEP_PERMILLE = 10
LEAST_PERMILLE = 10
"""The smallest trim that a panel file allows: 1 %."""
EIGHT = 0x7F
"""The segments of an 8, without the point."""
SHARE = 0.5
"""Largest share of its board's budget that a display may draw here."""


class Matching:
    """Compares two lamps of the session's panel at a time. Closing it restores the outputs."""

    def __init__(self, model: ViewModel, chosen: str = "") -> None:
        """`chosen` is the lamp to compare with, by default the first. Raises `Trouble` if there is nothing to match."""
        self.model = model
        self.bench = model.session.bench
        self.panel: Panel = model.session.panel
        if self.bench is None:
            raise Trouble(NOTHING_TO_LIGHT)
        if not self.panel.path:
            raise Trouble("trims go into a panel file, and there is none yet: n names a part by hand and writes one")
        names = [lamp.name for lamp in self.panel.lamps if lamp.dimmed and self._source(lamp) is not None]
        self.displays = [each.name for each in self.panel.displays if self._source(each) is not None]
        if not names or len(names) + len(self.displays) < 2:
            raise Trouble("two lamps that can be dimmed, on boards that answer, are needed to compare one with another")
        self.reference = chosen if chosen in names else names[0]
        if len(names) < 2:
            self.reference = self.displays[0]
        self.others = [name for name in names if name != self.reference]
        self.at = 0
        self.beside: dict[str, str] = {}
        """For each lamp the reference beside which its trim was written; removed if that is trimmed in turn."""
        self._lamp_reference = self.reference
        """The reference lamp from before a display became the reference."""
        self.lit = False
        self.refused = ""
        """Why the link or a board refused the last command; empty if it did not."""
        self._before = self._levels()
        self._showed: dict[str, int] = {}
        """What the reference display showed before, as on the wire."""
        self.trial = self.other.trim_permille
        self.bench.note(*occupied.begins(occupied.MATCHING))

    # --- which lamps ------------------------------------------------------------------------------------------------

    def lamp(self, name: str) -> Lamp:
        """Return the lamp called `name` of the present panel."""
        found = self.panel.part(name)
        assert isinstance(found, Lamp)
        return found

    @property
    def display(self) -> Display | None:
        """The reference if it is a display, else None."""
        found = self.panel.part(self.reference)
        return found if isinstance(found, Display) else None

    @property
    def matched(self) -> list[str]:
        """Names of the lamps whose trims were written beside this reference."""
        return [name for name, reference in self.beside.items() if reference == self.reference]

    @property
    def elsewhere(self) -> list[str]:
        """Names of the lamps whose trims were written beside another reference."""
        return [name for name in self.others if self.beside.get(name, self.reference) != self.reference]

    @property
    def other(self) -> Lamp:
        """The lamp that is being matched."""
        return self.lamp(self.others[self.at])

    def step(self, by: int) -> bool:
        """Make the other lamp brighter (`by` > 0) or darker by `by` percent; return whether that is possible."""
        wanted = min(FULL, max(LEAST_PERMILLE, self.trial + by * STEP_PERMILLE))
        moved, self.trial = wanted != self.trial, wanted
        self.show()
        return moved

    def go(self, by: int) -> None:
        """Go on to another lamp, and leave this one's trim as the file has it."""
        self.at = (self.at + by) % len(self.others)
        self.trial = self.other.trim_permille
        self.show()

    def swap(self) -> None:
        """Exchange the reference and the lamp being matched. Raises `Trouble` if the reference is a display."""
        if self.display is not None:
            raise Trouble("a display has one brightness: match the lamps to it")
        self.reference, self.others[self.at] = self.others[self.at], self.reference
        self.trial = self.other.trim_permille
        self.show()

    def write(self) -> bool:
        """Write the other lamp's trim into the panel file, and go on to the next lamp.

        Raises `Trouble` if that fails; then nothing is written. Returns False if someone has changed the file so that a
        part compared here is missing or different: until this is closed, outputs then follow the panel from before.
        """
        before = self.other.trim_permille
        file = PanelFile(self.panel.path)
        file.trim(self.other.name, self.trial)
        file.save()
        self.model.session.take_panel(file.panel)
        self.model.look()
        lamps, displays = ({part.name for part in parts} for parts in (file.panel.lamps, file.panel.displays))
        if not lamps.issuperset(part.name for part in self.panel.lamps) or not displays.issuperset(self.displays):
            return False
        self.panel = self.model.session.panel
        written = self.other.name
        if before != self.trial:
            self.beside = {name: reference for name, reference in self.beside.items() if reference != written}
        self.beside[written] = self.reference
        self.go(1)
        return True

    def compare_with_display(self) -> None:
        """Make the next display the reference; after the last one, the lamp that was it before.

        A display has one brightness, set by its driver's resistor: it shows eights, and lamps are matched to it.
        """
        lamps = [lamp.name for lamp in self.panel.lamps if lamp.name in (self.reference, *self.others)]
        if self.display is None:
            self._lamp_reference = self.reference
        before = self._lamp_reference if self._lamp_reference in lamps else lamps[0]
        order = [*self.displays, *([before] if len(lamps) > 1 else [])]
        at = order.index(self.reference) if self.display is not None else -1
        was = self.other.name
        self._give_back()
        self.reference = order[(at + 1) % len(order)]
        self.others = [name for name in lamps if name != self.reference]
        self.at = self.others.index(was) if was in self.others else 0
        self.trial = self.other.trim_permille
        self.show()

    # --- what is lit ------------------------------------------------------------------------------------------------

    def show(self) -> None:
        """Light the reference and the other lamp, and nothing else."""
        wanted = {lamp.name: 0 for lamp in self.panel.lamps}
        if self.display is None:
            wanted[self.reference] = sent_permille(self.lamp(self.reference), FULL)
        else:
            self._eights(self.display)
        wanted[self.other.name] = sent_permille(replace(self.other, trim_permille=self.trial), FULL)
        self.lit, self.refused = True, ""
        self._send(wanted, self._levels())

    def went_dark(self) -> None:
        """Forget what was lit before, because dark restores nothing."""
        self.lit = False
        self._before.clear()
        self._showed.clear()

    def close(self) -> None:
        """Restore the lamps with their new trims, and let others use the bench."""
        assert self.bench is not None
        restored: list[Future[Outcome]] = []
        if self.lit:
            now = dict.fromkeys(self._levels(), 0)
            now |= {name: sent_permille(self.lamp(name), level) for name, level in self._before.items()}
            restored = self._send(now, self._levels()) + self._give_back()
            self.lit = False
        bench = self.bench

        def end() -> None:
            # What a rehearsal hears of this after it has gone on, it takes for something that the user does by hand.
            if restored:
                restored.pop().add_done_callback(lambda _: end())
            else:
                bench.note(*occupied.ends(occupied.MATCHING))

        end()

    def _eights(self, display: Display) -> None:
        """Show as many eights as the board's budget allows beside a lamp."""
        source, board = self._source(display), self.panel.board(display.channel.board)
        if source is None or self.bench is None:
            return
        each_ma = display.segment_ma * EIGHT.bit_count()
        room = int((board.budget_ma if board else 400.0) * SHARE / each_ma)
        eights = bytes([EIGHT] * max(1, min(display.digits, room))).ljust(display.digits, b"\0")
        with self.model.session.lock:
            channel = self.model.boards[board_name(display)].channels.get(display.channel.id)
            shows = (channel.value if channel is not None else None) or 0
        if shows == int.from_bytes(eights, "big"):
            return
        self._showed.setdefault(display.name, shows)
        self.bench.set_many(source, {display.channel.id: eights}).add_done_callback(self._done)

    def _give_back(self) -> list[Future[Outcome]]:
        """Restore what the display showed before; return the outcomes to come."""
        asked = []
        for name, value in self._showed.items():
            display = self.panel.part(name)
            source = self._source(display) if isinstance(display, Display) else None
            if isinstance(display, Display) and source is not None and self.bench is not None:
                segments = segments_of(value, display.digits)
                asked.append(self.bench.set_many(source, {display.channel.id: segments}))
        self._showed.clear()
        return asked

    def _send(self, wanted: dict[str, int], stands: dict[str, int]) -> list[Future[Outcome]]:
        """Set lamps that differ from how they stand, and the two compared; return the outcomes to come."""
        assert self.bench is not None
        by_board: dict[int, dict[str, int]] = {}
        for name, sent in wanted.items():
            lamp = self.lamp(name)
            source = self._source(lamp)
            # Lamps that are off already need no command; the two that are compared always get one.
            if source is not None and (sent or stands.get(name, 0) or name in (self.reference, *self.others)):
                by_board.setdefault(source, {})[lamp.channel.id] = sent
        asked = [self.bench.set_many(source, values) for source, values in by_board.items()]
        for each in asked:
            each.add_done_callback(self._done)
        return asked

    def _done(self, done: Future[Outcome]) -> None:
        if not done.cancelled() and done.exception() is None:
            self.refused = say(done.result()) or self.refused

    def _source(self, part: Lamp | Display) -> int | None:
        name = board_name(part)
        board = self.model.boards.get(name)
        status = self.model.statuses.get(name)
        return board.source if board is not None and status is not None and board.link == "linked" else None

    def _levels(self) -> dict[str, int]:
        """Return the present lightness of each lamp in permille, as far as it is known."""
        found = {}
        with self.model.session.lock:
            for lamp in self.panel.lamps:
                channel = find_channel(self.model.boards, board_name(lamp), lamp.channel.id)
                if channel is not None and channel.value is not None:
                    found[lamp.name] = looks_permille(lamp, channel.value)
        return found

    def named(self, name: str) -> str:
        """Return the label of a part, with its board."""
        lamp = self.lamp(name)
        return f"{label_of(lamp)} ({board_name(lamp)})"
