"""The health of each link: the board on each port, its status, and all counters of errors."""

from __future__ import annotations

from textwrap import wrap
from typing import TYPE_CHECKING, ClassVar

from rich.cells import cell_len
from textual.binding import Binding, BindingType
from textual.geometry import Size

from benchcon.console.canvas import Canvas, fitted, padded, shortened
from benchcon.console.canvas_widget import Drawn
from benchcon.console.ink import ink
from benchcon.durations import age_text
from benchcon.state import BoardState
from benchcon.text import printable
from benchcon.units import volts
from benchcon.view.board_status import status_of_port
from benchcon.view.palette import BAD, BRASS, EDGE, ENGRAVED, GROUND, IVORY, QUIET, RAISED, WARN

if TYPE_CHECKING:
    from benchcon.link import PortInfo
    from benchcon.timing.curves import Curve
    from benchcon.view.model import ViewModel


HIGH = "▁▂▃▄▅▆▇█"
SPAN_S = 300
"""Seconds that a full curve shows, or a little more."""
_CURVES = (
    ("trip", "round trip", "ms", "max"),
    ("bad", "bad lines", "", "max"),
    ("heartbeat", "heartbeats", "ms", "max"),
    ("supply", "supply", "V", "min"),
)
"""For each curve its figure, word, unit, and which extreme of it is shown."""
_LABEL_WIDTH = 11
_FIGURES_WIDTH = 24
_SUPPLY_V = (4.0, 5.5)
"""The least range of a curve of the supply, in volts."""

Piece = tuple[str, str, str]
"""A text, its colour, and the colour of its ground."""


def _beside(width: int) -> int:
    return 2 if width >= 116 else 1


def bars(name: str, curve: Curve) -> str:
    """Return the bars of a curve, blank where nothing is known."""
    known = [value for value in curve.values if value is not None]
    low, high = 0.0, max(known, default=0.0)
    if name == "supply" and known:
        low, high = min(_SUPPLY_V[0], *known), max(_SUPPLY_V[1], *known)
    return "".join(
        " " if value is None else HIGH[min(int((value - low) / ((high - low) or 1.0) * 7.999), 7)]
        for value in curve.values
    )


def _drawn(name: str, word: str, unit: str, end: str, curve: Curve, width: int, span_s: int) -> list[Piece]:
    """Return one curve: its word, its bars, the latest figure and the worst."""
    drawn = bars(name, curve)
    known = [value for value in curve.values if value is not None]
    high = max(known, default=0.0)
    if curve.last is None:
        figures = "not known"
    elif name == "bad":
        begun = next((number for number, value in enumerate(curve.values) if value is not None), 0)
        past_s = round(span_s * (1 - begun / len(curve.values)))  # the curve may not be full yet
        figures = f"{sum(known):.0f} in {past_s // 60} min" if past_s >= 120 else f"{sum(known):.0f} in {past_s} s"
    else:
        shape = ".2f" if unit == "V" else ".1f" if high < 1000 else ".0f"
        worst = min(known) if end == "min" else max(known)
        figures = f"{curve.last:{shape}} {unit}, {end} {worst:{shape}}"
    wrong = name == "bad" and high > 0
    return [
        (f"{word:<{_LABEL_WIDTH}}", QUIET, GROUND),
        (drawn, BAD if wrong else BRASS, GROUND),
        (f"  {fitted(figures, _FIGURES_WIDTH - 1)}".ljust(width - _LABEL_WIDTH - len(drawn)), ENGRAVED, GROUND),
    ]


class LinksView(Drawn, can_focus=True):
    """A plate for each board; with `brief` a few lines each, to show beside the face."""

    GROUND = GROUND
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("up,shift+tab", "go(-1)", "Board above", show=False),
        Binding("down,tab", "go(1)", "Board below", show=False),
        Binding("l", "release", "Release the port"),
        Binding("l", "reopen", "Reopen the port"),
        Binding("o", "open", "Open a port"),
        Binding("w", "wink", "Identify"),
    ]

    def __init__(self, model: ViewModel, *, brief: bool = False, id: str | None = None) -> None:
        super().__init__(id=id)
        self.model = model
        self.brief = brief
        self._key = ""
        """Name of the chosen board, or the chosen port; a number would not do, as their order changes."""
        self._top = 0

    def names(self) -> list[str]:
        """Return the boards' names on the panel."""
        return [board.name for board in self.model.panel.boards]

    def others(self) -> list[PortInfo]:
        """Return the ports on which no board is known: still asking, refused, or not the line protocol."""
        known = {board.source for board in self.model.boards.values()}
        return [port for port in self.model.ports if port.source not in known]

    def _keys(self) -> list[str]:
        return [*self.names(), *(port.port for port in self.others())]

    @property
    def chosen(self) -> int:
        """Number of the chosen board or port, from 0; a chosen port on which a board has since answered is that one."""
        keys = self._keys()
        if self._key in keys:
            return keys.index(self._key)
        boards = self.model.boards
        return next((at for at, name in enumerate(keys) if name in boards and boards[name].port == self._key), 0)

    def board(self) -> BoardState | None:
        """Return the chosen board; None if a port without one is chosen."""
        names, at = self.names(), self.chosen
        return self.model.boards.get(names[at]) if at < len(names) else None

    def port(self) -> str:
        """Return the chosen port; empty if there is none."""
        keys, at = self._keys(), self.chosen
        if at < len(self.names()):
            board = self.board()
            return board.port if board is not None else ""
        return keys[at] if at < len(keys) else ""

    def get_content_height(self, container: Size, viewport: Size, width: int) -> int:
        """Return the height of all plates, for a style sheet that says ``auto``."""
        return 5 * len(self.names()) if self.brief else container.height

    def paint(self, canvas: Canvas) -> None:
        """Draw a plate for each board."""
        canvas.wipe(0, 0, canvas.width, canvas.height, self.ground)
        with self.model.session.lock:
            names = self.names()
            blocks = self._blocks(names, canvas.width, canvas.height)
        if not self.brief:
            for index, port in enumerate(self.others(), len(names)):
                blocks.append(self._port_block(index, port, canvas.width))
        if not blocks:
            canvas.write(1, 1, "No board yet. o opens a port.", ink(QUIET, GROUND))
        lines = [line for block in blocks for line in block]
        if not self.brief and blocks:
            first = sum(len(block) for block in blocks[: self.chosen])
            last = first + len(blocks[min(self.chosen, len(blocks) - 1)])
            self._top = min(self._top, first)
            self._top = max(self._top, last - canvas.height)
        for y, pieces in enumerate(lines[self._top : self._top + canvas.height]):
            x = 0
            for text, colour, ground in pieces:
                x = canvas.write(x, y, text, ink(colour, ground), canvas.width - x)

    def _title(self, index: int, title: str, status: str, colour: str, width: int) -> list[tuple[str, str, str]]:
        chosen = index == self.chosen and self.has_focus and not self.brief
        title = fitted(title, max(12, width - len(status) - 8))
        return [
            ("▌" if chosen else " ", BRASS, RAISED),
            (f"{title} ", IVORY, RAISED),
            ("─" * max(0, width - cell_len(title) - len(status) - 4), EDGE, RAISED),
            (f" {status} ", colour, RAISED),
        ]

    def _port_block(self, index: int, port: PortInfo, width: int) -> list[list[tuple[str, str, str]]]:
        look = status_of_port(port)
        lines = [self._title(index, port.port, f"{look.shape} {look.word}", look.colour, width)]
        text = port.text or "No board has answered here yet."
        lines += [[(" " + line, ENGRAVED, GROUND)] for line in wrap(text, max(width - 2, 20))]
        if port.rate:
            lines.append([(f" {port.rate} baud", QUIET, GROUND)])
        return [*lines, []]

    def _blocks(self, names: list[str], width: int, height: int) -> list[list[list[tuple[str, str, str]]]]:
        """Return a plate for each board, with curves for all if there is room, else only for the chosen one."""
        blocks = [self._block(index, name, width) for index, name in enumerate(names)]
        if self.brief:
            return blocks
        rows = -(-len(_CURVES) // _beside(width))
        all_of_them = sum(map(len, blocks)) + rows * len(blocks) <= height
        for index, name in enumerate(names):
            board = self.model.boards.get(name)
            if board is not None and (all_of_them or index == self.chosen):
                blocks[index][-1:-1] = self._curves(board, width)
        return blocks

    def _curves(self, board: BoardState, width: int) -> list[list[Piece]]:
        """Return the curves of a link's last minutes, two side by side if there is room."""
        beside = _beside(width)
        each = (width - 1) // beside
        columns = each - _LABEL_WIDTH - _FIGURES_WIDTH - 2
        if columns < 10:
            return []
        watch, now_us = self.model.stopwatch, self.model.now_us
        stretch_s = -(-min(SPAN_S, now_us // 1_000_000 + 1) // columns)
        with watch.lock:
            curves = watch.curves.curves(board.source, now_us, columns, stretch_s * 1_000_000)
        pieces = [_drawn(*row, curves[row[0]], each, stretch_s * columns) for row in _CURVES]
        rows = [pieces[at : at + beside] for at in range(0, len(pieces), beside)]
        return [[(" ", QUIET, GROUND), *(piece for one in row for piece in one)] for row in rows]

    def _block(self, index: int, name: str, width: int) -> list[list[tuple[str, str, str]]]:
        model = self.model
        board, look = model.boards.get(name), model.statuses[name]
        title = printable(model.title_of(name)).upper()
        lines = [self._title(index, title, f"{look.shape} {look.word}", look.colour, width)]
        for pairs in self._figures(board):
            lines.append(self._pairs(pairs, width))
        if look.advice and not self.brief:
            lines += [[(" " + line, WARN, GROUND)] for line in wrap(look.advice, max(width - 2, 20))]
        lines.append([])
        return lines

    def _pairs(self, pairs: list[tuple[str, str, bool]], width: int) -> list[tuple[str, str, str]]:
        each = max((width - 1) // max(len(pairs), 1), 8)
        pieces: list[tuple[str, str, str]] = [(" ", QUIET, GROUND)]
        for word, value, wrong in pairs:
            # Names of ports begin alike and differ at the end.
            value = (shortened if word == "port" else fitted)(value, max(each - len(word) - 2, 3))
            pieces.append((f"{word} ", QUIET, GROUND))
            pieces.append((padded(value, each - len(word) - 1), BAD if wrong else ENGRAVED, GROUND))
        return pieces

    def _figures(self, board: BoardState | None) -> list[list[tuple[str, str, bool]]]:
        if board is None:
            return [[("port", "none", False)]]
        model, now_us = self.model, self.model.now_us
        counters = model.session.state.observer.counters(board.source)
        rate = f"{model.rates.get(board.source, 0.0):.0f}"
        trip = "?" if board.round_trip_us is None else f"{board.round_trip_us / 1000:.1f} ms"
        worst = "?" if board.round_trip_worst_us is None else f"{board.round_trip_worst_us / 1000:.1f} ms"
        supply = volts(board.supply_mv) if board.supply_mv else "?"
        heard = "never" if board.last_heard_us is None else age_text(now_us - board.last_heard_us)
        if self.brief:
            return [
                [("lines/s", rate, False), ("heard", heard, False)],
                [
                    ("bad", str(counters.bad), counters.bad > 0),
                    ("lost", str(counters.missing), counters.missing > 0),
                ],
                [("trip", trip, False), ("supply", supply, False)],
            ]
        offered = model.session.offered(board.source)
        return [
            [
                ("port", printable(board.port) or "?", False),
                ("firmware", printable(board.firmware) or "?", False),
                *([("program", offered, False)] if offered else []),
            ],
            [
                ("ident", printable(board.ident) or "?", False),
                ("chip", printable(board.chip) or "?", False),
                ("boot", "?" if board.boot is None else str(board.boot), False),
                ("resets seen", str(board.boots), board.boots > 1),
            ],
            [
                ("lines/s", rate, False),
                ("heard", heard, False),
                ("round trip", trip, False),
                ("worst", worst, False),
            ],
            [
                (
                    "bad checks",
                    f"{counters.bad}{f' +{board.discarded} B' if board.discarded else ''}",
                    counters.bad > 0,
                ),
                ("gaps", str(counters.missing), counters.missing > 0),
                ("board dropped", str(board.dropped), board.dropped > 0),
                ("board heard bad", str(board.bad_lines), board.bad_lines > 0),
            ],
            [
                ("repeats", str(board.repeats), board.repeats > 0),
                ("given up", str(board.gave_up), board.gave_up > 0),
                ("refused", str(board.refused), board.refused > 0),
                ("held back", str(board.held_back), board.held_back > 0),
            ],
            [
                ("supply", supply, False),
                ("worst loop", f"{board.worst_loop_us} µs", False),
                ("buffer", f"{board.buffer} B" if board.buffer else "?", False),
                ("dead-man", f"{board.deadman_ms / 1000:g} s" if board.deadman_ms else "off", False),
            ],
        ]

    # --- keys -----------------------------------------------------------------------------------------------------

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Offer the keys for ports only on a live bench."""
        if action not in ("release", "reopen", "wink", "open"):
            return True
        if self.brief or self.model.session.bench is None:
            return False
        board, port = self.board(), self.port()
        if action in ("wink", "open"):
            return action == "open" or (board is not None and board.link == "linked")
        info = next((each for each in self.model.ports if each.port == port), None)
        released = info.stage == "released" if info is not None else board is not None and board.link == "released"
        return bool(port) and released == (action == "reopen")

    def action_go(self, by: int) -> None:
        """Choose another board or port."""
        keys = self._keys()
        if keys:
            self._key = keys[max(0, min(len(keys) - 1, self.chosen + by))]
        self.refresh_bindings()
        self.repaint()

    def action_release(self) -> None:
        """Release the port for another program."""
        self.model.work.release(self.port())

    def action_reopen(self) -> None:
        """Reopen the port."""
        self.model.work.reopen(self.port())

    def action_wink(self) -> None:
        """Make the board show which one it is."""
        board = self.board()
        if board is not None:
            self.model.work.wink(board)

    async def action_open(self) -> None:
        """Open another port."""
        await self.app.run_action("ports")
