"""A whole simulated board: parts, faults, input side, protocol, line and lamps together. No I/O, no clock.

Bytes go in with `feed` and come out with `take`; a hand's words go in with `control.obey`. Everything else happens at
its time when `run` is called. The same seed and the same calls always give the same, to the microsecond.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Mapping, Sequence
from typing import Protocol

from benchcon.errors import Trouble
from benchcon.rig import loom
from benchcon.rig.active_faults import ActiveFaults
from benchcon.rig.exchange import LoomExchange
from benchcon.rig.faults import Fault, WrongFault, check
from benchcon.rig.lamps import Lamps
from benchcon.rig.line import Way
from benchcon.rig.notifications import ScanReporter
from benchcon.rig.physics import Physics
from benchcon.rig.scan import Scan
from benchcon.rig.timeline import Action, Timeline
from benchcon.rig.wiring import Wiring
from benchcon.rig.wiring import wiring as wiring_of
from benchcon.wire.board import BoardSide
from benchcon.wire.items import fitting, quoted_name

BUFFER = 128
"""Receive buffer that the board reports, in bytes."""
LOOP_US = 400
"""Worst loop time that the board reports."""
_LOADER_SAYS = bytes(range(0x80, 0x100)) + b"\x00\x1b[?\r"


class PluggedPort(Protocol):
    """The port, as far as the board's cable is concerned."""

    @property
    def name(self) -> str:
        """The port that a program opens; empty while it is unplugged."""

    def unplug(self) -> None:
        """Let the port disappear."""

    def plug(self, name: str) -> None:
        """Let the port appear under this name."""


def _plugged_into(wiring: Wiring, faults: Sequence[Fault]) -> Wiring:
    """Return the wiring of the board that the loom of these parts is plugged into."""
    for fault in loom.of_kind(faults, "looms_interchanged"):
        two = fault.settings["boards"]
        if wiring.name in two and wiring.panel is not None:
            return wiring_of(wiring.panel, two[1] if wiring.name == two[0] else two[0])
    return wiring


class SimBoard:
    """One simulated board."""

    def __init__(self, wiring: Wiring, *, seed: int = 0, faults: Sequence[Fault] = ()) -> None:
        """Make a board with `faults`, which act from `start` on; `seed` is that of all random numbers.

        Raises `Trouble` for a fault that is not possible on this board.
        """
        for fault in faults:
            try:
                check(fault, wiring)
            except WrongFault as wrong:
                raise Trouble(str(wrong)) from None
        self.wiring = wiring
        self.name = wiring.name
        self.firmware = _plugged_into(wiring, faults)
        """The wiring that the firmware assumes at its pins: another board's if the looms of two are swapped."""
        self.timeline = Timeline()

        def chance(of: str) -> random.Random:
            # A generator for each, so that they do not influence each other.
            return random.Random(f"{seed} {wiring.name} {of}")

        self.physics = Physics(wiring, self.timeline, self, chance("parts"))
        self.active = ActiveFaults(self, self.timeline, chance("faults"))
        self.up = Way("up", self.timeline, chance("up"), self._to_port)
        self.down = Way("down", self.timeline, chance("down"), self._from_port)
        self.physics.faults = self.up.faults = self.down.faults = self.active.acting
        self.loader_chance = chance("loader")
        self.scan: Scan | None = None
        self.side: BoardSide | None = None
        self.lamps = Lamps(wiring, self.timeline, self.active.acting, self.physics.broken, self.physics.made)
        self.powered = False
        self.exchange = LoomExchange(wiring, self.firmware, self.physics) if self.firmware is not wiring else None
        self._kept = {"ident": self.firmware.ident, "name": quoted_name(self.firmware.label)}
        self._boot = 0
        self._first = tuple(faults)
        self._out = bytearray()
        self._cable: PluggedPort | None = None
        self._starts: list[Action] = []
        self._reporter: ScanReporter | None = None
        self._brown_out_due = False

    # --- from outside: time, bytes, cable -----------------------------------------------------------------

    def start(self, at_us: int) -> None:
        """Switch the power on."""
        self.timeline.run(at_us)
        for fault in self._first:
            self.active.put(fault, at_us)
        self.powered = True
        self._begin(at_us, "power")

    def run(self, now_us: int) -> None:
        """Let everything happen that is due up to now."""
        while (due_us := self.next_us()) is not None and due_us <= now_us:
            if self.side is not None and self.side.next_us() <= due_us:
                self.side.tick(due_us)
                self._pump(due_us)
            else:
                self.timeline.run(due_us)
        self.timeline.run(now_us)

    def next_us(self) -> int | None:
        """Return when to call `run` next, or None if nothing is due."""
        due_us = self.timeline.next_us()
        if self.side is None:
            return due_us
        return self.side.next_us() if due_us is None else min(due_us, self.side.next_us())

    def feed(self, data: bytes, now_us: int, rate: Callable[[], int | None] = lambda: None) -> None:
        """Take bytes that came in at the port; `rate` returns the rate in baud at which that was opened, or None."""
        self.run(now_us)
        if loom.of_kind(self.active.acting, "wrong_baud"):
            self.up.port_rate = self.down.port_rate = rate()
        self.down.send(now_us, data)

    def take(self) -> bytes:
        """Return the bytes that go out at the port now."""
        out = bytes(self._out)
        self._out.clear()
        return out

    @property
    def reads(self) -> bool:
        """Whether the board reads from its port; one that has stopped leaves bytes in the port."""
        return not loom.of_kind(self.active.acting, "stall")

    def plugged_in(self, cable: PluggedPort) -> None:
        """Give the board its port, for `unplug` and `replug`."""
        self._cable = cable

    def opened(self, now_us: int, rate: int | None = None) -> None:
        """Note that a program has opened the port, at this rate in baud (None: not known)."""
        self.run(now_us)
        self.up.port_rate = self.down.port_rate = rate
        if loom.of_kind(self.active.acting, "opening_resets"):
            self.reset(now_us, "reset")

    # --- what a hand asks (see `control`) -------------------------------------------------------------------

    def at(self, at_us: int, action: Action) -> object:
        """Call `action` at `at_us`."""
        return self.timeline.at(at_us, action)

    def on_move(self, action: Action) -> None:
        """Call `action` when the next part has come to rest."""

        def once(at_us: int) -> None:
            self.physics.on_rest.remove(once)
            action(at_us)

        self.physics.on_rest.append(once)

    def clock_us(self, now_us: int) -> int:
        """Return the board's own clock in µs, not wrapped; 0 while the firmware is not running."""
        return 0 if self.side is None else self.side.clock_us(now_us)

    def put_fault(self, fault: Fault, now_us: int) -> int:
        """Put in a fault, and return its number. Raises ValueError if it is not possible on this board."""
        check(fault, self.wiring)
        if fault.settings.get("boards"):
            raise ValueError("looms are swapped with the power off: use a faults file")
        return self.active.put(fault, now_us)

    def clear_faults(self, number: int | None, now_us: int) -> None:
        """Take out one fault, or all (None). Raises ValueError if there is no such fault."""
        self.active.clear(number, now_us)

    def faults(self) -> dict[int, Fault]:
        """Return number → fault for all faults that are in."""
        return self.active.all()

    def supply(self, millivolts: int, now_us: int, only: Sequence[str] = ()) -> None:
        """Set the supply of all lamps and displays, or of these only. Raises ValueError if one is not there."""
        self.lamps.supply(millivolts, only)
        self._light(now_us)

    def unplug(self, now_us: int) -> None:
        """Pull the cable out. Raises ValueError if it is unplugged already."""
        if not self.powered:
            raise ValueError("it is already unplugged")
        self.powered = False
        self._stop(now_us)
        self.up.cut()
        self.down.cut()
        self._out.clear()
        if self._cable is not None:
            self._cable.unplug()

    def replug(self, name: str, now_us: int) -> None:
        """Plug the cable in again, under `name` unless that is empty. Raises ValueError if it is plugged in."""
        if self.powered:
            raise ValueError("it is already plugged in")
        if self._cable is not None:
            self._cable.plug(name or self.name)
        self.powered = True
        self._begin(now_us, "power")

    def port(self) -> str:
        """Return the port that a program opens; empty while it is unplugged."""
        return self._cable.name if self._cable is not None else ""

    # --- reset and start --------------------------------------------------------------------------------------

    def reset(self, at_us: int, cause: str) -> None:
        """Reset the board: its outputs go off at once, and it restarts."""
        if self.powered:
            self._stop(at_us)
            self._begin(at_us, cause)

    def _stop(self, at_us: int) -> None:
        if self.scan is not None:
            self.scan.on = False
        self.scan = self.side = None
        self._starts.clear()
        if self._reporter is not None:
            self._reporter.stop()
        self._light(at_us)

    def _begin(self, at_us: int, cause: str) -> None:
        loaders = loom.of_kind(self.active.acting, "slow_boot")
        lasting_us = max((fault.settings["lasting"] for fault in loaders), default=0)
        self._starts = self.timeline.at(at_us + lasting_us, lambda when_us: self._run_firmware(when_us, cause))
        if any(fault.settings["says"] == "garbage" for fault in loaders):
            self._send_garbage(at_us, self._starts)

    def _send_garbage(self, at_us: int, until: list[Action]) -> None:
        """Let a boot loader send bytes of its own until the firmware starts."""
        if until and until is self._starts:
            self.noise(at_us, bytes(self.loader_chance.choices(_LOADER_SAYS, k=self.loader_chance.randint(3, 24))))
            self.timeline.at(at_us + 100_000, lambda when_us: self._send_garbage(when_us, until))

    def _run_firmware(self, at_us: int, cause: str) -> None:
        self._boot = self._boot + 1 & 0xFFFF
        self.side = side = BoardSide(
            self._kept["ident"],
            self._kept["name"],
            self.firmware.items,
            now_us=at_us,
            buffer=BUFFER,
            boot=self._boot,
            cause=cause,
            clock_ppm=self._ppm(),
            supply_mv=self.lamps.loaded_mv,
        )
        side.worst_loop_us = LOOP_US
        side.on_outputs = lambda changed, when_us: self._light(when_us)
        side.on_wink = self._wink
        side.on_store = self._kept.__setitem__
        self._reporter = ScanReporter(side, self.timeline, self._pump)
        parts = self.exchange or self.physics
        self.scan = Scan(self.firmware, self.timeline, parts, self._reporter, self.active.acting)
        side.values.update(self.scan.values)
        self._describe(side)
        self._light(at_us)
        self._pump(at_us)

    def _ppm(self) -> float:
        return float(sum(fault.settings["off"] for fault in loom.of_kind(self.active.acting, "clock")))

    def _describe(self, side: BoardSide) -> None:
        """Let faults change how the board describes itself."""
        acting = self.active.acting
        idents = [fault.settings["ident"] for fault in loom.of_kind(acting, "ident")]
        texts = [fault.settings["text"] for fault in loom.of_kind(acting, "labels")]
        side.ident = idents[0] if idents else self._kept["ident"]
        side.name = quoted_name(texts[0]) if texts else self._kept["name"]
        side.items = self.firmware.items
        if texts:
            labelled = (
                {**item.detail, "label": texts[0]} if "label" in item.detail else item.detail for item in side.items
            )
            side.items = tuple(
                fitting(item._replace(detail=detail)) for item, detail in zip(side.items, labelled, strict=True)
            )

    # --- bytes --------------------------------------------------------------------------------------------

    def _pump(self, at_us: int) -> None:
        """Send what the board has to say."""
        if self.side is None:
            return
        data = self.side.take()
        silent = any(fault.settings["silent"] == "yes" for fault in loom.of_kind(self.active.acting, "stall"))
        # While an endless line is sent, nothing else is.
        if data and not silent and not loom.of_kind(self.active.acting, "endless_line"):
            self.up.send(at_us, data)

    def _to_port(self, at_us: int, data: bytes) -> None:
        self._out += data

    def _from_port(self, at_us: int, data: bytes) -> None:
        side, scan = self.side, self.scan
        if side is None or scan is None:
            return
        side.feed(data, at_us)
        for id_ in side.raw ^ scan.raw:
            scan.raw_on(id_, id_ in side.raw)
        if side.dark:
            self.lamps.still(at_us)
        self._pump(at_us)

    # --- what the parts do (see `physics.Pins`) --------------------------------------------------------------

    def contact(self, at_us: int, id_: str, made: bool) -> None:
        """Note that a contact reads made, or open, from now on."""
        if loom.of_kind(self.active.acting, "lit_by_a_control"):
            self._light(at_us)
        if self.scan is not None and (end := self._end(id_)):
            self.scan.contact(at_us, end, made)

    def levels(self, at_us: int, id_: str, levels: int) -> None:
        """Note the levels of an encoder's two pins, A·2+B."""
        if self.scan is not None and (end := self._end(id_)):
            self.scan.levels(at_us, end, levels)

    def position(self, at_us: int, id_: str, position: int) -> None:
        """Note that a selector is at this position."""
        if self.scan is not None and (end := self._end(id_)):
            self.scan.position(at_us, end, position)

    def wiper(self, at_us: int, id_: str) -> None:
        """Note that a potentiometer may read differently from now on, and has to be sampled."""
        if self.scan is not None and (end := self._end(id_)):
            self.scan.wiper(at_us, end)

    def _end(self, id_: str) -> str | None:
        """Return the firmware's channel at which the wire of a part ends; None if at none."""
        return id_ if self.exchange is None else self.exchange.firmware_of.get(id_)

    # --- faults (see `active_faults.FaultyBoard`) ----------------------------------------------------------------

    def faults_changed(self, at_us: int, fault: Fault) -> None:
        """Note that a fault has begun or ended, and work everything out again."""
        self.physics.look(at_us)
        self.physics.wipers(at_us)
        if self.side is not None:
            if fault.kind == "clock":
                self.side.run_clock(self._ppm(), at_us)
            self._describe(self.side)
        self._light(at_us)

    def break_wire(self, at_us: int, id_: str, broken: bool) -> None:
        """Let the wire of a channel drop out, or make contact again."""
        (self.physics.broken.add if broken else self.physics.broken.discard)(id_)
        if self.is_lamp(id_):
            self._light(at_us)
        elif id_ in self.wiring.tops:
            self.wiper(at_us, id_)
        else:
            self.physics.look(at_us)

    def hum(self, at_us: int, id_: str, low: bool) -> None:
        """Let interference pull this input low, or release it."""
        (self.physics.hum.add if low else self.physics.hum.discard)(id_)
        self.physics.look(at_us)

    def is_lamp(self, id_: str) -> bool:
        """Return whether this channel is a lamp."""
        return self.wiring.kinds.get(id_) == "lamp"

    def storm(self, at_us: int, ids: tuple[str, ...]) -> None:
        """Let one of these contacts (empty: any) seem to change."""
        among = ids or tuple(self.wiring.contacts)
        if self.scan is not None and among and (end := self._end(self.active.chance.choice(among))):
            self.scan.change(at_us, end, 1 - self.scan.values[end])

    def noise(self, at_us: int, data: bytes) -> None:
        """Put these bytes on the line to the port."""
        if self.powered:
            self._out += data

    # --- light ------------------------------------------------------------------------------------------------

    def _light(self, at_us: int) -> None:
        """Work out what is lit, since outputs, faults or the supply have changed."""
        side, lamps = self.side, self.lamps
        lamps.powered = self.powered
        values: Mapping[str, int] = side.values if side is not None else {}
        if self.exchange is not None:
            values = self.exchange.driven(values, self.wiring.digits, self.firmware.digits)
        lamps.drive(at_us, values)
        if side is None:
            lamps.still(at_us)
            return
        if side.dark:
            lamps.still(at_us)
        side.supply_mv = lamps.loaded_mv
        limits = [fault.settings["limit"] for fault in loom.of_kind(self.active.acting, "weak_supply")]
        # A supply that is switched off feeds no outputs, and so cannot pull down that of the board, which is another.
        sags = limits and side.supply_mv < max(limits) <= lamps.supply_mv
        if sags and not self._brown_out_due:
            self._brown_out_due = True
            self.timeline.at(at_us + 1000, self._brown_out)

    def _brown_out(self, at_us: int) -> None:
        self._brown_out_due = False
        self.reset(at_us, "brownout")

    def _wink(self, at_us: int) -> None:
        # In the dark only a light of the board's own may wink, and a simulated board has none.
        if self.side is not None and not self.side.dark:
            self.lamps.wink(at_us)
