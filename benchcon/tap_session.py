"""A bench that another program drives, watched through taps: the stream, its last ten minutes, its captures.

Each board has a relay of its own (`benchcon.link.tap`); a thread here sorts what they report by stamp, and feeds state,
ring and capture with it. Nothing is ever sent from here.
"""

from __future__ import annotations

import os
import select
import threading
from collections import deque
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

from benchcon.errors import Trouble
from benchcon.link import known_ports
from benchcon.link.discovery import hardware_at
from benchcon.link.port import PortInfo
from benchcon.link.relay import now_us
from benchcon.link.tap import Order, Tap
from benchcon.panel.model import Panel
from benchcon.session import OpenSession
from benchcon.text import listed, printable
from benchcon.wire.codec import RATE
from benchcon.wire.records import BENCH, NOTE, Batch

SETTLE_US = 500_000
"""How long to wait for a relay that reports nothing before the others' records are taken."""
WAIT_S = 0.1


class TapSession(OpenSession):
    """Taps on `ports`, which are opened at once; `start` begins to take what they report.

    `listen`, `rfc2217`, `rate` and `ping` are as in `benchcon.link.tap.Tap`; a TCP port other than 0 is counted up for
    each further board. Without `keep` the last ten minutes are not kept, and triggers save nothing. `kept`: see
    `OpenSession`. Raises `Trouble` if a port cannot be opened.
    """

    badge = "TAP"

    def __init__(
        self,
        ports: Sequence[str],
        panel: Panel,
        *,
        listen: tuple[str, int] | None = None,
        rfc2217: bool = False,
        rate: int = RATE,
        ping: bool = False,
        keep: bool = True,
        kept: Path | None = None,
    ) -> None:
        self._zero_us = now_us()
        self._notes: deque[Batch] = deque()
        super().__init__(panel, datetime.now(UTC), kept, keep=keep)
        self._order = Order()
        self._woken, self._wake = os.pipe()
        os.set_blocking(self._wake, False)
        self._thread: threading.Thread | None = None
        self._over = False
        self.trouble = ""
        """Why nothing comes any more, such as that a relay has ended; empty while all is well."""
        self.said: deque[str] = deque(maxlen=200)
        """Lines for a user without a screen: what happened to the ports, which board is where, which program came."""
        self._board_names: dict[int, str] = {}
        self.taps: list[Tap] = []
        try:
            for number, port in enumerate(ports, 1):
                if listen is not None and listen[1] and number > 1:
                    listen = listen[0], listen[1] + 1
                self.taps.append(
                    Tap(
                        port,
                        self._order.take,
                        listen=listen,
                        rfc2217=rfc2217,
                        rate=rate,
                        ping=ping,
                        source=number,
                        ident=_ident_of(port, panel if len(ports) == 1 else Panel()),
                        zero_us=self._zero_us,
                    )
                )
        except BaseException:
            self._end_taps()
            raise
        names = listed(printable(tap.name) for tap in self.taps)
        verb = "drives" if len(self.taps) == 1 else "drive"
        self.undriven = f"a tap only watches: the program that has opened {names} {verb} this panel"

    def start(self) -> None:
        """Begin to take what the taps report, on a thread of its own."""
        self._thread = threading.Thread(target=self._run, name="taps", daemon=True)
        self._thread.start()

    def now_us(self) -> int:
        """Return the time since the taps were opened, in microseconds, by the relays' clock."""
        return now_us() - self._zero_us

    def note(self, kind: str, text: str) -> None:
        """Put a note into the stream: `kind` is ``mark``, ``trigger``, ``expectation`` or ``word``; `text` one line."""
        self._notes.append(Batch(self.now_us(), BENCH, NOTE, [f"{kind} {printable(text)}".encode()]))

    def ports(self) -> list[PortInfo]:
        """Return the state of each tap; ``text`` says what is wrong, such as that no program has opened it."""
        found = []
        for tap in self.taps:
            board = self.state.boards.get(tap.source)
            if tap.up.speaks is False and tap.up.bytes:
                stage, text = "foreign", "the board does not speak the line protocol; every byte is passed on"
            elif tap.gone:
                stage, text = "lost", tap.gone
            elif not tap.there:
                stage, text = "live", f"no program has opened {printable(tap.name)} yet: that is the port for it"
            else:
                stage, text = "live", ""
            ident = printable(board.ident) if board is not None else ""
            found.append(PortInfo(tap.port, stage, text, tap.source, ident, tap.rate))
        return found

    def offered(self, source: int) -> str:
        """Return the port that the tap offers to the program that drives this board, and whether that is open."""
        tap = next((each for each in self.taps if each.source == source), None)
        return f"{printable(tap.name)} {'open' if tap.there else 'not open'}" if tap is not None else ""

    @property
    def missed(self) -> int:
        """How many bytes were passed on but not recorded."""
        return sum(tap.missed for tap in self.taps)

    def close(self) -> None:
        """End the relays, take what they still have to report, and close all captures."""
        self._over = True
        if self._thread is not None:
            os.write(self._wake, b"\0")
            self._thread.join()
            self._thread = None
        if self._woken >= 0:
            self._end_taps()
            self._give(None)
            os.close(self._woken)
            os.close(self._wake)
            self._woken = -1
        super().close()

    def _end_taps(self) -> None:
        for tap in self.taps:
            tap.close()
            self.said += tap.said
            tap.said.clear()

    # --- the thread ---------------------------------------------------------------------------------------------------

    def _run(self) -> None:
        while not self._over and not self.trouble:
            ends: list[Tap | int] = [*self.taps, self._woken]
            for each in select.select(ends, [], [], WAIT_S)[0]:
                if not isinstance(each, Tap):
                    continue
                if not each.turn(0):
                    self.trouble = f"{printable(each.port)}: the relay has ended; start the tap again"
                self.said += each.said
                each.said.clear()
            # The records of one relay are in order. Those of several are in order up to where all have reported.
            reported_us = min(tap.reported_us for tap in self.taps)
            self._give(max(reported_us, self.now_us() - SETTLE_US))

    def _give(self, until_us: int | None) -> None:
        while self._notes:
            self._order.take([self._notes.popleft()])
        batches = self._order.until(until_us)
        if batches:
            with self.lock:
                self._take(batches, [self.state.observer.observe(batch) for batch in batches])
                self._say_boards()
            self._tell_taken()

    def _say_boards(self) -> None:
        """Say which board is behind which of the offered ports, as soon as that is known, and when it is another."""
        for tap in self.taps:
            board = self.state.boards.get(tap.source)
            if board is None or not board.ident:
                continue
            name = board.called if board.protocol else f"{board.called}, as far as is known"
            if self._board_names.get(tap.source) != name:
                self._board_names[tap.source] = name
                self.said.append(f"{printable(tap.name)} is for {printable(tap.port)}: {name}")


def _ident_of(port: str, panel: Panel) -> str:
    """Return the ident of the board that is expected on a port before it says so; empty if that is not known.

    It is the one that answered there last, or else that of a panel's only board.
    """
    try:
        entry = known_ports.find(port, hardware_at(port), known_ports.remembered())
    except Trouble:
        entry = None
    if entry is not None and entry.ident:
        return entry.ident
    return panel.boards[0].own_ident if len(panel.boards) == 1 else ""
