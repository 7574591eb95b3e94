"""The soak, without I/O: lights everything in steps within the budget, and watches what that does to the boards.

The steps repeat for as long as the soak lasts. Each lights as much as each board's budget allows; the rest is lit in
the next one, so that every lamp and display has its turn. A step lasts seconds, so nothing flashes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from benchcon.diagnosis.evidence import SAG_MV
from benchcon.durations import lasted
from benchcon.errors import Trouble
from benchcon.panel.model import Lamp, Panel
from benchcon.state.board import is_without_supply
from benchcon.text import counted, times
from benchcon.units import quantity, volts
from benchcon.walk.load import ALL_LIT, shares
from benchcon.walk.wants import Wants

STEP_S = 3.0
LONGEST_S = 30 * 86_400


def load_steps(panel: Panel) -> list[Wants]:
    """Return the steps of a round: all dark, then as much as the budget allows, each output in at least one step."""
    rows = {board.name: shares(panel, board.name) for board in panel.boards}
    count = max(map(len, rows.values()), default=0)
    steps = [Wants()]
    for number in range(count):
        wants = Wants()
        for row in rows.values():
            if row:
                for part in row[number % len(row)]:
                    if isinstance(part, Lamp):
                        wants.lamps[part.name] = part.on_permille
                    else:
                        wants.displays[part.name] = bytes([ALL_LIT]) * part.digits
        steps.append(wants)
    return steps


@dataclass(slots=True)
class BoardHealth:
    """Counters and supply figures of one board during a soak or a walk."""

    name: str
    resets: int = 0
    causes: list[str] = field(default_factory=list)
    lost: int = 0
    """Number of times that its port was lost."""
    silences: int = 0
    """Number of times that three of its heartbeats were missing."""
    darks: int = 0
    """Number of times that its dead-man darkened it."""
    bad_here: int = 0
    """Number of pieces from the board that were not a valid line."""
    bad_there: int = 0
    """Number of invalid lines that the board received since the beginning, by its own count."""
    missing: int = 0
    """Number of its notifications that were lost on the way."""
    rest_mv: int = 0
    """Supply voltage with everything dark; 0: the board does not report it."""
    least_mv: int = 0
    now_mv: int = 0
    """Supply voltage as last reported."""
    worst_loop_us: int = 0
    heartbeats: int = 0
    """Number of heartbeats that reported the supply."""
    no_supply: int = 0
    """Number of those that reported no supply: nothing was lit then, so nothing was tested."""
    _bad_lines: int | None = None
    """The board's own count of them in its last heartbeat; None: nothing to compare the next one with."""

    def alive(self, supply_mv: int, bad_lines: int, worst_loop_us: int, dark: bool) -> None:
        """Take a heartbeat; `dark` says that nothing is lit now."""
        if self._bad_lines is not None:
            self.bad_there += (bad_lines - self._bad_lines) & 0xFFFF
        self._bad_lines = bad_lines
        self.worst_loop_us = max(self.worst_loop_us, worst_loop_us)
        self.now_mv = supply_mv
        self.heartbeats += supply_mv > 0
        if is_without_supply(supply_mv):
            self.no_supply += 1
        elif supply_mv:
            if dark:
                self.rest_mv = max(self.rest_mv, supply_mv)
            self.least_mv = min(self.least_mv, supply_mv) if self.least_mv else supply_mv

    def booted(self, cause: str) -> None:
        """Count a reset with its `cause`."""
        self.resets += 1
        self.cut_off()
        if len(self.causes) < 20:
            self.causes.append(cause)

    def cut_off(self) -> None:
        """Do not count as damaged what a reset or a pulled plug has cut off on the way to the board."""
        self._bad_lines = None

    @property
    def sag_mv(self) -> int:
        """By how much the supply's voltage fell; 0 if it is not known."""
        return max(0, self.rest_mv - self.least_mv) if self.rest_mv and self.least_mv else 0

    def complaints(self) -> dict[str, str]:
        """Return what is wrong, one line each, by a key that stays the same while the figures grow."""
        out: dict[str, str] = {}
        if self.no_supply:
            when = (
                "all the time"
                if self.no_supply == self.heartbeats
                else f"for {self.no_supply} of {self.heartbeats} heartbeats"
            )
            out["no_supply"] = (
                f"{self.name}: no supply {when}, so nothing on it was lit and that proves nothing: "
                "switch its supply on and soak again"
            )
        if self.resets:
            causes = ", ".join(dict.fromkeys(self.causes))
            out["reset"] = f"{self.name}: reset {times(self.resets)} under load ({causes})"
        if self.lost:
            out["lost"] = f"{self.name}: its port was lost {times(self.lost)}"
        if self.sag_mv > SAG_MV:
            out["supply"] = (
                f"{self.name}: the supply sags by {self.sag_mv} mV, from {self.rest_mv} to {self.least_mv} mV"
            )
        if self.bad_here:
            out["bad here"] = f"{self.name}: {self.bad_here} bad lines came from it"
        if self.bad_there:
            out["bad there"] = f"{self.name}: {self.bad_there} bad lines reached it"
        if self.missing:
            out["missing"] = f"{self.name}: {self.missing} of its notifications were lost on the way"
        return out


@dataclass(slots=True)
class Soaking:
    """The state of a soak, for a face to show."""

    boards: list[BoardHealth]
    of: int
    """Number of steps in a round."""
    count: int = 0
    """Number of steps so far, over all rounds."""
    wants: Wants = field(default_factory=Wants)
    """What is lit now."""
    seconds: float = 0.0
    """How long the soak has lasted."""
    refused: str = ""
    """Why the boards do not light what they should; empty if they do."""

    @property
    def step(self) -> int:
        """Number of the current step in the round, from 1."""
        return (self.count - 1) % self.of + 1 if self.count else 0

    @property
    def dark(self) -> bool:
        """Whether nothing is lit in the current step."""
        return not self.wants.lamps and not self.wants.displays

    def next_step(self, steps: Sequence[Wants]) -> None:
        """Go on to the next of `steps`."""
        self.wants = steps[self.count % len(steps)]
        self.count += 1


def duration_s(text: str) -> float:
    """Return the seconds to soak from text such as ``2 h``. Raises `Trouble` if it is not from 1 s to 30 days."""
    try:
        seconds = quantity(text, "s")
    except ValueError as error:
        raise Trouble(f"the duration {error}") from None
    if not 1 <= seconds <= LONGEST_S:
        raise Trouble("the duration must be from '1 s' to '30 days'")
    return seconds


def figures(boards: Sequence[BoardHealth], seconds: float, rounds: int) -> dict[str, Any]:
    """Return the figures of a soak as JSON values."""
    return {
        "seconds": round(seconds, 1),
        "steps": rounds,
        "boards": [
            {
                "name": each.name,
                "resets": each.resets,
                "causes": each.causes,
                "lost": each.lost,
                "bad_here": each.bad_here,
                "bad_there": each.bad_there,
                "missing": each.missing,
                "heartbeats": each.heartbeats,
                "no_supply": each.no_supply,
                "rest_mv": each.rest_mv,
                "least_mv": each.least_mv,
                "worst_loop_us": each.worst_loop_us,
            }
            for each in boards
        ],
    }


def closing(boards: Sequence[BoardHealth], seconds: float, steps: int) -> str:
    """Return the result of a soak in one line, with its duration and figures."""
    found = sum(len(board.complaints()) for board in boards)
    verdict = f"{counted(found, 'complaint')}" if found else "no reset, no bad line, and the supply held"
    supplies = [
        f"{board.name} never below {volts(board.least_mv)}"
        + (f" ({volts(board.rest_mv)} with all dark)" if board.rest_mv else "")
        if board.least_mv
        else f"{board.name} {'without supply' if board.no_supply else 'does not report its supply'}"
        for board in boards
    ]
    return f"soaked for {lasted(seconds)}, {counted(steps, 'step')}: {verdict}; {', '.join(supplies)}"
