"""What the console shows of a part: its state in a word and in the numbers a drawing needs.

Pure functions of the panel, the bench's state and the time. What is not known (a board silent, lost, released) comes
out as not known, with the reason, and never as the last thing heard.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Mapping
from typing import NamedTuple

from benchcon.panel.lightness import looks_permille
from benchcon.panel.model import Control, Display, Lamp, Panel, Part
from benchcon.panel.reading import detents, position, share_permille
from benchcon.panel.segments import decode, segments_of
from benchcon.state import BenchState, BoardState
from benchcon.text import decimal, printable

LIVENESS_WORDS = {
    "live": "live",
    "asking": "asking",
    "silent": "silent",
    "lost": "lost",
    "released": "released",
    "refused": "refused",
    "foreign": "not the line protocol",
    "absent": "not there",
    "connecting": "connecting",
    "unread": "being read",
}
"""Words on the screen for how a board stands."""


class Showing(NamedTuple):
    """How one part looks now."""

    known: bool
    word: str
    """``pressed``, ``on``, ``45 %``, ``1013.25`` …; for what is not known the reason, such as ``silent``."""
    level: int = 0
    """Lamp: lightness in permille. Potentiometer: how far round, in permille."""
    step: int = 0
    """Button, switch: index of the position (-1: between positions). Encoder: detents from where it began."""
    segments: bytes = b""
    """Digits: one byte a digit."""
    sort: str = ""
    """A lamp's or display's special state: ``blink``, ``dark``, or ``wrong`` where its rule goes wrong; of any part
    ``held`` while it goes back and forth too fast to be shown (`benchcon.view.steady`); otherwise empty."""


RULE_ERROR = "rule error, "
"""How the word of a lamp or display begins whose rule goes wrong; the line follows."""
NO_SUPPLY = "no supply"
"""What lamps and displays say whose board has none."""


def boards_of(panel: Panel, state: BenchState) -> dict[str, BoardState]:
    """Return the boards that are known, by their name on the panel."""
    found = {}
    for board in panel.boards:
        state_of = state.board_named(board.own_ident)
        if state_of is None and board.name.startswith("board "):
            number = decimal(board.name[6:])
            state_of = state.boards.get(number) if number is not None else None
        if state_of is not None:
            found[board.name] = state_of
    return found


def board_name(part: Part) -> str:
    """Return the name of the board a part is (first) wired to."""
    channels = part.channels
    return channels[0].board if channels else ""


def liveness_of(board: BoardState | None, now_us: int, absent: str = "absent") -> str:
    """Return one of `LIVENESS_WORDS`' keys; `absent`: that of a board that is not known."""
    return absent if board is None else board.liveness(now_us)


def show(part: Part, boards: Mapping[str, BoardState], now_us: int, absent: str = "absent") -> Showing:
    """Return how `part` looks at `now_us`; `absent`: how a board stands that is not known."""
    if not part.wired:
        return Showing(False, "not wired")
    for channel in part.channels:
        liveness = liveness_of(boards.get(channel.board), now_us, absent)
        if liveness != "live":
            return Showing(False, LIVENESS_WORDS[liveness])
    if isinstance(part, Lamp):
        return _lamp(part, boards[part.channel.board], now_us)
    if isinstance(part, Display):
        return _display(part, boards[part.channel.board], now_us)
    return _control(part, boards, now_us)


def _lamp(lamp: Lamp, board: BoardState, now_us: int) -> Showing:
    sent = board.value_now(lamp.channel.id, now_us)
    if sent is None:
        return Showing(False, LIVENESS_WORDS["unread"])
    level = looks_permille(lamp, sent)  # the trim is the host's: a lamp that is sent less looks like the others
    if board.dark:
        return Showing(True, "dark", 0, sort="dark")
    if board.no_supply:
        return Showing(True, NO_SUPPLY, 0, sort="dark")
    if board.channels[lamp.channel.id].blinking:
        return Showing(True, "blink", level, sort="blink")
    if level == 0:
        return Showing(True, "off", 0)
    return Showing(True, "on" if level >= lamp.on_permille else f"{(level + 5) // 10} %", level)


def _display(display: Display, board: BoardState, now_us: int) -> Showing:
    value = board.value_now(display.channel.id, now_us)
    if value is None:
        return Showing(False, LIVENESS_WORDS["unread"])
    segments = segments_of(value, display.digits)
    if board.dark:
        return Showing(True, "dark", segments=segments, sort="dark")
    if board.no_supply:
        return Showing(True, NO_SUPPLY, segments=bytes(display.digits), sort="dark")
    return Showing(True, decode(segments).strip() or "blank", segments=segments)


def _control(control: Control, boards: Mapping[str, BoardState], now_us: int) -> Showing:
    values: dict[tuple[str, str], int] = {}
    for channel in control.channels:
        value = boards[channel.board].value_now(channel.id, now_us)
        if value is None:
            return Showing(False, LIVENESS_WORDS["unread"])
        values[channel.board, channel.id] = value
    if control.kind in ("button", "switch"):
        at, why = position(control, values)
        if at is None:
            return Showing(True, why, step=-1)
        return Showing(True, control.positions[at], step=at)
    value = values[control.channels[0].board, control.channels[0].id]
    if control.kind == "encoder":
        turned = detents(control, 0, value)
        return Showing(True, f"{turned:+g}", step=int(turned // 1))
    share = share_permille(control, value)
    return Showing(True, f"{share / 10:.0f} %", level=max(0, min(1000, round(share))), step=value)


def label_of(part: Part) -> str:
    """Return what is engraved beside a part, made printable; accents are one character with their letter."""
    return unicodedata.normalize("NFC", printable(part.label or part.name))


def channel_label(part: Part, channel_id: str) -> str:
    """Return what one channel of a part is called: of one contact of several, the position that it is made in.

    ``Intensity: 3``; where no one position says which contact it is, its own name: ``Standby: sb_on``.
    """
    channels = part.channels
    if len(channels) < 2 or not isinstance(part, Control):
        return label_of(part)
    at = next((index for index, channel in enumerate(channels) if channel.id == channel_id), None)
    alone = tuple(int(index == at) for index in range(len(channels)))
    word = part.positions[part.codes.index(alone)] if alone in part.codes else channel_id
    return f"{label_of(part)}: {printable(word)}"
