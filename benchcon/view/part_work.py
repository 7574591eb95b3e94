"""What keys do to a part: intents to the link for lamps and displays, moves of the simulated hand for controls.

Nothing here waits: intents return futures, the simulated hand works on a thread of its own, and failures are reported
in one line when they are known. In a replay nothing can be operated, and a message says so.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from decimal import Decimal, InvalidOperation
from typing import TYPE_CHECKING, Any

from benchcon.errors import Trouble
from benchcon.link.outcomes import say
from benchcon.panel.lightness import looks_permille, sent_permille
from benchcon.panel.model import Control, Display, Lamp, Part
from benchcon.panel.segments import decode, encode, format_number, number_text, segments_of
from benchcon.session import Session
from benchcon.state import BoardState, ChannelState
from benchcon.state.board import find_channel
from benchcon.text import printable
from benchcon.view.dark_keys import END_DARK
from benchcon.view.showing import label_of

if TYPE_CHECKING:
    from concurrent.futures import Future, ThreadPoolExecutor

    from benchcon.link import Bench
    from benchcon.rig.hand import Hand

LEVEL_STEP_PERMILLE = 50
ASKED_US = 800_000
"""How long a requested value counts as the present one, so that a held key steps evenly."""
TAP_S = 0.18
"""How long a tap holds a simulated button."""
MOST_MOVES = 12
"""Most moves that wait for the simulated hand; a held key asks for more than a hand can do."""

Tell = Callable[[str, str], None]
"""A function that shows a line with its severity; it is called on any thread."""


class Work:
    """Operates the parts of one session."""

    def __init__(self, session: Session, tell: Tell) -> None:
        self._session = session
        self._tell = tell
        self._asked: dict[tuple[int, str], tuple[int, int]] = {}
        self._asked_blink: dict[tuple[int, str], tuple[bool, int]] = {}
        self._kept: dict[tuple[int, str], bytes] = {}
        """For each display (source, channel id) the segments that it last showed."""
        self._stood: dict[str, bytes] = {}
        """For each display, by name, what it showed before a number was begun."""
        self._held: set[str] = set()
        self._put: dict[str, tuple[int, int]] = {}
        self._queued = 0
        self._arm: ThreadPoolExecutor | None = None
        self.typed: dict[str, str] = {}
        """For each display, by name, the number being typed."""
        self.worked: tuple[Lamp | Display, int] | None = None
        """The lamp or display that a key last set, and when (µs)."""

    def can_work(self, part: Part) -> bool:
        """Return whether keys can operate `part`: an output of a live bench, or a control of a simulated board."""
        if isinstance(part, Control):
            return all(channel.board in self._session.hands for channel in part.channels)
        return self._session.bench is not None

    def close(self) -> None:
        """End the hand's thread without waiting for it."""
        if self._arm is not None:
            self._arm.shutdown(wait=False, cancel_futures=True)

    @property
    def _bench(self) -> Bench:
        """The link's bench; call it only on a live session."""
        if self._session.bench is None:
            raise Trouble(self._session.undriven)
        return self._session.bench

    # --- the verbs ------------------------------------------------------------------------------------------------

    def act(self, part: Part, boards: Mapping[str, BoardState], hold: bool = False) -> None:
        """Switch a lamp on or off, blank or restore a display, press a button, or put a switch to its next position.

        With `hold` a button stays pressed until the next call.
        """
        if isinstance(part, Lamp):
            board = self._board(part, boards)
            if board is not None:
                lit = self._level(part, board) > 0 or self._blinks(part, board)
                self._set_level(part, board, 0 if lit else part.on_permille)
        elif isinstance(part, Display):
            self.blank(part, boards)
        elif part.kind == "button":
            self._press(part, hold)
        else:
            self.step(part, boards, 1, wrap=True)

    def put(self, control: Control, to: int) -> None:
        """Put a simulated button or switch to a position, whatever its channels read: they may be crossed or stuck."""
        hand = self._hand(control)
        if hand is None:
            return
        part = control.channels[0].id
        if control.kind == "button":
            (self._held.add if to else self._held.discard)(control.name)
            self._do(control, lambda: (hand.press if to else hand.release)(part))
        else:
            self._put[control.name] = to, self._session.now_us()
            self._do(control, lambda: hand.put(part, to))

    def turn_to(self, pot: Part, boards: Mapping[str, BoardState], percent: int) -> None:
        """Turn a simulated potentiometer to `percent` of its travel; 0 is fully left."""
        hand = self._hand(pot) if isinstance(pot, Control) and pot.kind == "pot" else None
        if hand is None or not isinstance(pot, Control):
            return
        right = percent / 100 if not pot.inverted else 1 - percent / 100
        to = round(pot.low_count + right * (pot.high_count - pot.low_count))
        self._put[pot.name] = to, self._session.now_us()
        self._do(pot, lambda: hand.put(pot.channels[0].id, to))

    def put_out(self, lamp: Lamp, boards: Mapping[str, BoardState]) -> None:
        """Switch a lamp off."""
        board = self._board(lamp, boards)
        if board is not None:
            self._set_level(lamp, board, 0)

    def step(self, part: Part, boards: Mapping[str, BoardState], by: int, wrap: bool = False) -> None:
        """Step a lamp's level, a display's number, a switch's position or a knob by `by`; negative is down."""
        if isinstance(part, Control):
            self._move(part, boards, by, wrap)
            return
        board = self._board(part, boards)
        if board is None:
            return
        if isinstance(part, Lamp):
            level = self._level(part, board) + by * LEVEL_STEP_PERMILLE
            self._set_level(part, board, max(0, min(1000, level)))
        else:
            self._step_number(part, board, by)

    def blink(self, part: Part, boards: Mapping[str, BoardState]) -> None:
        """Make a lamp blink once a second, or stop it."""
        board = self._board(part, boards)
        if board is None or not isinstance(part, Lamp):
            return
        key = (board.source, part.channel.id)
        on = not self._blinks(part, board)
        self.worked = part, self._session.now_us()
        self._asked_blink[key] = on, self._session.now_us()
        self._bench.blink(*key, on)

    def all_segments(self, part: Part, boards: Mapping[str, BoardState]) -> None:
        """Light every segment and point of a display."""
        board = self._board(part, boards)
        if board is not None and isinstance(part, Display):
            self.typed.pop(part.name, None)
            self._show(part, board, b"\xff" * part.digits)

    def blank(self, part: Part, boards: Mapping[str, BoardState]) -> None:
        """Blank a display, or restore what a blank one showed."""
        board = self._board(part, boards)
        if board is None or not isinstance(part, Display):
            return
        key = (board.source, part.channel.id)
        self.typed.pop(part.name, None)
        now = self._segments(part, board)
        if any(now):
            self._kept[key] = now
            self._show(part, board, bytes(part.digits))
        else:
            self._show(part, board, self._kept.get(key) or encode(format_number(part, 0), part.digits))

    def type(self, part: Part, boards: Mapping[str, BoardState], key: str) -> bool:
        """Take a key of a number (``0``–``9``, ``.``, ``-``, ``back``), which the display shows at once.

        Returns whether the key was used.
        """
        board = self._board(part, boards)
        if board is None or not isinstance(part, Display):
            return False
        if part.name not in self.typed:
            self._stood[part.name] = self._segments(part, board)
        text = self.typed.get(part.name, "")
        if key == "back":
            text = text[:-1]
        elif key == "-":
            text = text[1:] if text.startswith("-") else "-" + text
        elif key == "." and text.endswith("."):
            return False
        else:
            text += key
        try:
            segments = encode(text, part.digits)
        except Trouble:
            return False
        self.typed[part.name] = text
        self._show(part, board, segments)
        return True

    def put_back(self, part: Part, boards: Mapping[str, BoardState]) -> None:
        """Cancel the number being typed, and restore what the display showed before."""
        board = self._board(part, boards)
        if self.end_typing(part) and board is not None and isinstance(part, Display):
            self._show(part, board, self._stood.pop(part.name, bytes(part.digits)))

    def typed_out(self, part: Part, boards: Mapping[str, BoardState]) -> None:
        """End typing, and show the number in the display's format from the panel file."""
        text = self.typed.get(part.name, "")
        if not self.end_typing(part) or not isinstance(part, Display) or not part.format:
            return
        board = self._board(part, boards)
        try:
            number = float(text)
        except ValueError:  # not a number, such as 8.8.8, which stays as it was typed
            return
        if board is None:
            return
        shown = number_text(part, number)
        if shown is None:
            why = f'{text} does not fit its format "{part.format}"; it is shown as it was typed'
            self._tell(f"{label_of(part)}: {why}", "information")
        elif encode(shown, part.digits) != self._segments(part, board):
            self._show(part, board, encode(shown, part.digits))

    def end_typing(self, part: Part) -> bool:
        """End typing with the number as it is; return whether one was being typed."""
        return self.typed.pop(part.name, None) is not None

    def forget(self) -> None:
        """Forget all requested values, because everything went dark."""
        self.worked = None
        self._asked_blink.clear()
        self._asked.clear()
        self.typed.clear()

    # --- boards ---------------------------------------------------------------------------------------------------

    def raw(self, board: BoardState, channel: ChannelState, on: bool) -> None:
        """Make a board report every edge of an input, or stop it."""
        self._follow_named(printable(channel.id), self._bench.raw(board.source, channel.id, on))

    def wink(self, board: BoardState) -> None:
        """Make a board show which one it is."""
        self._follow_named(printable(board.ident), self._bench.wink(board.source))

    def release(self, port: str) -> None:
        """Release a port for another program."""
        free = self._bench.release(port)
        free.add_done_callback(
            lambda _: self._tell(f"{printable(port)} is released: another program can open it now", "information")
        )

    def reopen(self, port: str) -> None:
        """Reopen a port that was released."""
        self._bench.reopen(port)

    # --- lamps and displays ---------------------------------------------------------------------------------------

    def _board(self, part: Part, boards: Mapping[str, BoardState]) -> BoardState | None:
        if isinstance(part, Control):
            return None
        if self._session.bench is None:
            self._tell(self._session.undriven, "warning")
            return None
        board = boards.get(part.channel.board)
        if board is None:
            self._tell(f"{label_of(part)}: its board {printable(part.channel.board)} is not there", "warning")
        return board

    def _level(self, lamp: Lamp, board: BoardState) -> int:
        asked = self._asked.get((board.source, lamp.channel.id))
        if asked is not None and self._session.now_us() - asked[1] < ASKED_US:
            return asked[0]
        channel = board.channels.get(lamp.channel.id)
        return looks_permille(lamp, channel.value or 0) if channel is not None else 0

    def _blinks(self, lamp: Lamp, board: BoardState) -> bool:
        asked = self._asked_blink.get((board.source, lamp.channel.id))
        if asked is not None and self._session.now_us() - asked[1] < ASKED_US:
            return asked[0]
        channel = board.channels.get(lamp.channel.id)
        return channel is not None and channel.blinking

    def _set_level(self, lamp: Lamp, board: BoardState, permille: int) -> None:
        key = (board.source, lamp.channel.id)
        self.worked = lamp, self._session.now_us()
        self._asked_blink.pop(key, None)
        self._asked[key] = permille, self._session.now_us()
        self._follow(lamp, self._bench.set_lamp(*key, sent_permille(lamp, permille)))

    def _segments(self, display: Display, board: BoardState) -> bytes:
        channel = board.channels.get(display.channel.id)
        value = (channel.value or 0) if channel is not None else 0
        asked = self._asked.get((board.source, display.channel.id))
        if asked is not None and self._session.now_us() - asked[1] < ASKED_US:
            value = asked[0]
        return segments_of(value, display.digits)

    def _show(self, display: Display, board: BoardState, segments: bytes) -> None:
        key = (board.source, display.channel.id)
        before = self._segments(display, board)
        if any(char.isdigit() for char in decode(before)) and before != b"\xff" * display.digits:
            self._kept[key] = before
        self.worked = display, self._session.now_us()
        self._asked[key] = int.from_bytes(segments, "big"), self._session.now_us()
        self._follow(display, self._bench.set_display(*key, segments))

    def _step_number(self, display: Display, board: BoardState, by: int) -> None:
        self.typed.pop(display.name, None)
        now = self._segments(display, board)
        text = stepped(display, decode(now), by)
        if text is None:
            # A blank display has nothing to step: restore its last number first; the next key steps that.
            last = self._kept.get((board.source, display.channel.id))
            if last is None or last == now:
                self._tell(f"{label_of(display)} shows no number to step from: type one", "information")
            else:
                self._show(display, board, last)
        elif text:
            self._show(display, board, encode(text, display.digits))

    def _follow(self, part: Part, future: Future[Any]) -> None:
        self._follow_named(label_of(part), future)

    def _follow_named(self, name: str, future: Future[Any]) -> None:
        def done(future: Future[Any]) -> None:
            if future.cancelled():
                return
            error = future.exception()
            if error is not None:
                self._tell(f"{name}: {printable(str(error))}", "error")
                return
            text = say(future.result())
            if text:
                self._tell(f"{name}: {text}{f'; {END_DARK} ends dark' if 'dark' in text else ''}", "warning")

        future.add_done_callback(done)

    # --- the simulated hand ---------------------------------------------------------------------------------------

    def _do(self, control: Control, *moves: Callable[[], object]) -> None:
        if self._arm is None:
            from concurrent.futures import ThreadPoolExecutor

            self._arm = ThreadPoolExecutor(1, thread_name_prefix="hand")
        if self._queued >= MOST_MOVES:
            return

        def work() -> None:
            try:
                for move in moves:
                    move()
            except (OSError, Trouble) as error:
                self._tell(f"{label_of(control)}: the simulated hand: {printable(str(error))}", "error")
            finally:
                self._queued -= 1

        self._queued += 1
        self._arm.submit(work)

    def _hand(self, control: Control) -> Hand | None:
        hand = self._session.hands.get(control.channels[0].board)
        if hand is None:
            what = "a control of the real panel" if self._session.live else "this is a capture"
            self._tell(f"{label_of(control)}: {what}; only a hand can move it", "information")
        return hand

    def _press(self, control: Control, hold: bool) -> None:
        hand = self._hand(control)
        part = control.channels[0].id
        if hand is None:
            return
        if control.name in self._held:
            self._held.discard(control.name)
            self._do(control, lambda: hand.release(part))
        elif hold:
            self._held.add(control.name)
            self._do(control, lambda: hand.press(part))
        else:
            self._do(control, lambda: hand.press(part), lambda: time.sleep(TAP_S), lambda: hand.release(part))

    def _move(self, control: Control, boards: Mapping[str, BoardState], by: int, wrap: bool) -> None:
        if control.kind == "button":
            self._press(control, hold=True)
            return
        hand = self._hand(control)
        if hand is None:
            return
        part = control.channels[0].id
        if control.kind == "encoder":
            self._do(control, lambda: hand.turn(part, by))
            return
        at = self._position(control, boards)
        if control.kind == "pot":
            low, high = sorted((control.low_count, control.high_count))
            to = max(low, min(high, at + round(by * (high - low) / 40) * (-1 if control.inverted else 1)))
        else:
            count = len(control.positions)
            to = (at + by) % count if wrap else max(0, min(count - 1, at + by))
        self._put[control.name] = to, self._session.now_us()
        self._do(control, lambda: hand.put(part, to))

    def _position(self, control: Control, boards: Mapping[str, BoardState]) -> int:
        """Return a control's position: the last requested one, else as its channels read, else its initial one."""
        asked = self._put.get(control.name)
        if asked is not None and self._session.now_us() - asked[1] < ASKED_US:
            return asked[0]
        values = []
        for channel in control.channels:
            state = find_channel(boards, channel.board, channel.id)
            values.append((state.value or 0) if state is not None else 0)
        if control.kind == "pot":
            return values[0]
        return control.codes.index(tuple(values)) if tuple(values) in control.codes else 0


def stepped(display: Display, shown: str, by: int) -> str | None:
    """Return the text of a display's number, changed by `by` units of its last digit.

    None if what is shown is not a number; empty if the result does not fit the display.
    """
    text = shown.strip()
    try:
        number = Decimal(text.rstrip(".") or "x")
    except InvalidOperation:
        return None
    whole, _, part = text.partition(".")
    unit = Decimal(1).scaleb(-len(part))
    number += by * unit
    sign = "-" if number < 0 else ""
    whole = whole.lstrip("-")
    figures = f"{abs(number):.{len(part)}f}"
    figures = figures.zfill(len(whole) + (1 + len(part) if part else 0)) if whole.startswith("0") else figures
    result = sign + figures
    return result if len(result.replace(".", "")) <= display.digits else ""
