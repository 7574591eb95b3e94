"""The demo's stand-in for the simulator host: a little made-up weather, and lamps that follow switches.

Boards do as they are told and no more; on a real rig the simulator tells them. The demo has no simulator, so this
driver reads the switches through the bench and sends what a simulator would, as any other program: by intents to the
one writer. As soon as the user works a lamp or a display it keeps off that one, for good.
"""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, NamedTuple

from benchcon.panel.model import Digits
from benchcon.panel.reading import detents, position_of, share_permille
from benchcon.panel.segments import encode, format_number
from benchcon.walk import occupied
from benchcon.wire.events import Asked, Event

if TYPE_CHECKING:
    from benchcon.session import Session

RUNWAY_DEG = 270
CROSSWIND_LIMIT_KT = 10.0
HPA_PER_INHG = 1013.25 / 29.92
"""ICAO standard atmosphere (Doc 7488): 1013.25 hPa is 29.92 inHg."""
STANDARD_HPA = 1013.2
TICK_S = 0.25
PAUSE_S = 2.0
"""From one reading of the weather to the next."""
RECENT = 8
"""So many of the segments last sent to a display are known as our own when they are seen on the wire."""
OWN_S = 1.0
"""A lamp that is set within this time after we asked for it was set for us (the link may have trimmed the level)."""
AGAIN_S = 2.0
"""What has not come about by then is asked for again: the board was reset, or its port was gone."""

Where = tuple[str, str]
"""Board and channel."""


class Weather(NamedTuple):
    """What the met desk's displays are for."""

    wind_deg: int
    """Where the wind comes from, 1 to 360."""
    wind_kt: int
    drift_hpa: float
    """Pressure, above or below what the desk has set."""

    @property
    def crosswind_kt(self) -> float:
        """The wind's share across the runway: speed times sine of the angle between them (any pilot's handbook)."""
        return abs(self.wind_kt * math.sin(math.radians(self.wind_deg - RUNWAY_DEG)))


def weather(seconds: float) -> Weather:
    """Return the weather so long after the demo began, a new reading every other second, never a jump."""
    seconds = seconds // PAUSE_S * PAUSE_S
    veer = 300 + 35 * math.sin(seconds / 29) + 4 * math.sin(seconds / 7.3)
    speed = 14 + 6 * math.sin(seconds / 17) + 2 * math.sin(seconds / 5.1)
    return Weather(round(veer) % 360 or 360, round(speed), 1.5 * math.sin(seconds / 60))


def pressure_text(hpa: float, inches: bool, digits: Digits) -> str:
    """Return how the pressure display shows it: ``1013.2`` hPa, or ``29.92`` inHg."""
    return format_number(digits, hpa / HPA_PER_INHG, "00.00") if inches else format_number(digits, hpa)


class Seen(NamedTuple):
    """What the controls say; None where it is not known."""

    positions: Mapping[str, int | None]
    """Buttons and switches, by name."""
    pressure_detents: float
    bus_permille: int


def lamps(seen: Seen, now: Weather) -> dict[str, int]:
    """Return the level of each of the demo's lamps, by name, in permille."""
    at = seen.positions
    intensity = 200 * ((at.get("intensity") or 0) + 1)
    test = bool(at.get("lamp_test"))
    levels = {
        f"{group}_lit": (1000 if test else intensity if at.get(switch) else 0)
        for group, switch in (
            ("approach", "approach"),
            ("runway", "runway_edge"),
            ("taxiway", "taxiway"),
            ("stop_bar", "stop_bar"),
        )
    }
    # Obstruction lights are for others: they do not follow the intensity.
    levels["obstruction_lit"] = 1000 if test or at.get("obstruction") else 0
    levels["crosswind"] = 1000 if now.crosswind_kt > CROSSWIND_LIMIT_KT else 0
    mains, standby = bool(at.get("mains")), at.get("standby")
    levels["mains_fail"] = 0 if mains else 1000
    levels["standby_fail"] = 1000 if not mains and standby == 1 else 0
    levels["battery_low"] = 1000 if seen.bus_permille < 300 and at.get("battery") else 0
    return levels


class DemoDriver:
    """Sends the demo's weather and lamps to a live session's bench, until the user works them."""

    def __init__(self, session: Session, clock: Callable[[], float] = time.monotonic) -> None:
        self.session = session
        self.clock = clock
        self.given_up: set[Where] = set()
        """Lamps and displays that the user works."""
        self._sent: dict[Where, list[str]] = {}
        self._sent_at: dict[Where, float] = {}
        self._inches = False
        self._unit_was: int | None = None
        self._kept_off = False
        """A walk has the bench."""
        self._ends = threading.Event()
        self._thread = threading.Thread(target=self._work, name="demo-weather", daemon=True)
        self._unsubscribe: Callable[[], None] = lambda: None

    def start(self) -> None:
        """Begin."""
        self._unsubscribe = self.session.subscribe(self._heard)
        self._thread.start()

    def close(self) -> None:
        """End; what is lit stays."""
        self._ends.set()
        self._unsubscribe()
        if self._thread.is_alive():
            self._thread.join(5)

    def _work(self) -> None:
        began = self.clock()
        while not self._ends.wait(TICK_S):
            if self._kept_off:
                continue
            self.step(self.clock() - began)

    def step(self, seconds: float) -> None:
        """Read the controls and send what has changed."""
        now, seen = weather(seconds), self._look()
        unit = seen.positions.get("pressure_unit")
        if unit and self._unit_was == 0:
            self._inches = not self._inches
        self._unit_was = unit
        panel = self.session.panel
        for lamp in panel.lamps:
            level = lamps(seen, now).get(lamp.name)
            if level is not None:
                self._send((lamp.channel.board, lamp.channel.id), f"{level:03X}", level)
        hpa = STANDARD_HPA + seen.pressure_detents / 10 + now.drift_hpa
        for digits in panel.digits:
            text = {
                "wind_direction": lambda digits: format_number(digits, now.wind_deg),
                "wind_speed": lambda digits: format_number(digits, now.wind_kt),
                "pressure": lambda digits: pressure_text(hpa, self._inches, digits),
            }.get(digits.name)
            if text is not None:
                segments = encode(text(digits), digits.places)
                self._send((digits.channel.board, digits.channel.id), segments.hex().upper(), segments)

    def _look(self) -> Seen:
        panel, session = self.session.panel, self.session
        now_us = session.now_us()
        with session.lock:
            values: dict[Where, int] = {}
            for board in panel.boards:
                state = session.state.board_named(board.ident or board.name)
                for id_ in state.channels if state is not None else ():
                    value = state.value_now(id_, now_us) if state is not None else None
                    if value is not None:
                        values[board.name, id_] = value
        positions = {c.name: position_of(c, values) for c in panel.controls if c.codes}
        turned, bus = 0.0, 1000
        for control in panel.controls:
            value = values.get((control.channels[0].board, control.channels[0].id))
            if value is not None and control.name == "pressure_set":
                turned = detents(control, 0, value)
            elif value is not None and control.name == "bus_volts":
                bus = share_permille(control, value)
        return Seen(positions, turned, bus)

    def _send(self, where: Where, word: str, value: int | bytes) -> None:
        if where in self.given_up or self._stands(where, word):
            return
        state = self._board(where[0])
        bench = self.session.bench
        recent = self._sent.setdefault(where, [])
        waits = recent[-1:] == [word] and self.clock() - self._sent_at[where] < AGAIN_S
        if state is None or bench is None or waits:
            return
        recent.append(word)
        del recent[:-RECENT]
        self._sent_at[where] = self.clock()
        if isinstance(value, int):
            bench.set_lamp(state, where[1], value)
        else:
            bench.set_digits(state, where[1], value)

    def _board(self, name: str) -> int | None:
        """Return the number of a board that may be told something now."""
        board = self.session.panel.board(name)
        with self.session.lock:
            state = self.session.state.board_named(board.ident or name) if board else None
            if state is None or state.dark or state.standing(self.session.now_us()) != "live":
                return None
            return state.source

    def _stands(self, where: Where, word: str) -> bool:
        """Whether the board has been told so already."""
        board = self.session.panel.board(where[0])
        with self.session.lock:
            state = self.session.state.board_named(board.ident or where[0]) if board else None
            channel = state.channels.get(where[1]) if state is not None else None
            return channel is not None and channel.value == int(word, 16)

    def _heard(self, events: list[Event]) -> None:
        """Who else sets a lamp or display works it from now on."""
        for event in events:
            taken = occupied.change(event)
            self._kept_off = self._kept_off if taken is None else taken
            if self._kept_off:
                continue
            if isinstance(event, Asked) and event.words[:1] == ("set",):
                with self.session.lock:
                    board = self.session.state.boards.get(event.source)
                    ident = board.ident if board is not None else ""
                name = next((b.name for b in self.session.panel.boards if (b.ident or b.name) == ident), "")
                for word in event.words[1:]:
                    id_, _, value = word.partition("=")
                    if not self._ours((name, id_), value):
                        self.given_up.add((name, id_))

    def _ours(self, where: Where, word: str) -> bool:
        recent = self._sent.get(where, [])
        if len(word) != 3 or not recent:
            return word in recent
        return word == recent[-1] or self.clock() - self._sent_at[where] < OWN_S
