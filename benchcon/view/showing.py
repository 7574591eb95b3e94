"""What the console shows of a part: its state as a word, and as the numbers that a drawing needs.

These are pure functions of the panel, the bench's state and the time. A state that is not known (the board is silent,
lost or released) is shown as not known, with the reason, never as last heard.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Mapping
from typing import NamedTuple

from benchcon.panel.lightness import level_word, looks_permille
from benchcon.panel.model import Control, Display, Lamp, Panel, Part
from benchcon.panel.places import engraved
from benchcon.panel.reading import contact_word, detents, position, share_permille, share_word
from benchcon.panel.segments import decode, or_blank, segments_of
from benchcon.state import BenchState, BoardState
from benchcon.text import decimal, printable

LIVENESS_WORDS = {
    "live": "live",
    "asking": "asking",
    "silent": "silent",
    "lost": "lost",
    "released": "released",
    "refused": "ident taken",
    "foreign": "not the line protocol",
    "absent": "not there",
    "connecting": "connecting",
    "unread": "being read",
}
"""For each liveness of a board, the word on the screen."""
STAGE_WORDS = {
    **{stage: LIVENESS_WORDS[stage] for stage in ("live", "asking", "silent", "lost", "released", "foreign")},
    "opening": LIVENESS_WORDS["connecting"],
    "waiting": "not open",
    "listening": "listening",
    "duplicate": LIVENESS_WORDS["refused"],
    "mute": "no answer",
    "trying": "trying other rates",
}
"""For each stage of a port (`benchcon.link.port.PortStage`, and those that `PortInfo` adds), the word for the user."""
DARK_WHYS = {"deadman": "the dead-man: no word from the host", "local": "switched at the panel"}
"""For each reason why a board went dark by itself (line protocol, the notification `dark`), its words."""


class Showing(NamedTuple):
    """How one part looks now."""

    known: bool
    word: str
    """``pressed``, ``on``, ``45 %``, ``1013.25`` …; or the reason why it is not known, such as ``silent``."""
    level: int = 0
    """Of a lamp its lightness, of a potentiometer its position, in permille."""
    step: int = 0
    """Of a button or switch the index of its position (-1: between positions), of an encoder detents from its start."""
    segments: bytes = b""
    """Of a display its segments, one byte a digit."""
    sort: str = ""
    """Special state of a lamp or display: ``blink``, ``dark``, or ``wrong`` if its rule fails; of any part ``held``
    while it changes too fast to be shown (`benchcon.view.steady`); otherwise empty."""


RULE_ERROR = "rule error, "
"""Beginning of the word of a lamp or display whose rule fails; the line follows."""
NO_SUPPLY = "no supply"
"""Word of lamps and displays without supply."""


def boards_of(panel: Panel, state: BenchState) -> dict[str, BoardState]:
    """Return the known boards by their names on the panel."""
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
    """Return the name of the board that a part is (first) wired to."""
    channels = part.channels
    return channels[0].board if channels else ""


def liveness_of(board: BoardState | None, now_us: int, absent: str = "absent") -> str:
    """Return the liveness of `board` at `now_us`, a key of `LIVENESS_WORDS`; `absent` for None."""
    return absent if board is None else board.liveness(now_us)


def show(part: Part, boards: Mapping[str, BoardState], now_us: int, absent: str = "absent") -> Showing:
    """Return how `part` looks at `now_us`; `absent` is the liveness of a board that is not known."""
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
    level = looks_permille(lamp, sent)  # a trimmed lamp is sent less, and looks like the others
    if board.dark:
        return Showing(True, "dark", 0, sort="dark")
    if board.no_supply:
        return Showing(True, NO_SUPPLY, 0, sort="dark")
    if board.channels[lamp.channel.id].blinking:
        return Showing(True, "blink", level, sort="blink")
    return Showing(True, level_word(lamp, level), level)


def _display(display: Display, board: BoardState, now_us: int) -> Showing:
    value = board.value_now(display.channel.id, now_us)
    if value is None:
        return Showing(False, LIVENESS_WORDS["unread"])
    segments = segments_of(value, display.digits)
    if board.dark:
        return Showing(True, "dark", segments=segments, sort="dark")
    if board.no_supply:
        return Showing(True, NO_SUPPLY, segments=bytes(display.digits), sort="dark")
    return Showing(True, or_blank(decode(segments)), segments=segments)


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
    return Showing(True, share_word(control, value), level=share_permille(control, value), step=value)


def label_of(part: Part) -> str:
    """Return the engraved label of a part, printable, with accents composed with their letters."""
    return unicodedata.normalize("NFC", printable(part.label))


def engraved_label(part: Part) -> str:
    """Return what is engraved beside a part, like `label_of`: of lamps in one housing, the text that they share."""
    return unicodedata.normalize("NFC", printable(engraved(part)))


def channel_label(part: Part, channel_id: str) -> str:
    """Return the name of one channel of a part. One contact of several has the position in which it is made.

    For example ``Intensity: 3``, or with the channel's id if no single position says which it is: ``Standby: sb_on``.
    """
    channels = part.channels
    if len(channels) < 2 or not isinstance(part, Control):
        return label_of(part)
    place = next((index for index, channel in enumerate(channels) if channel.id == channel_id), None)
    word = channel_id if place is None else contact_word(part, place)
    return f"{label_of(part)}: {printable(word)}"
