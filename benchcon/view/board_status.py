"""The status of a board as a shape, a colour and words, the same on every screen."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, NamedTuple

from benchcon.durations import age_text
from benchcon.state import BoardState
from benchcon.text import capitalised, printable
from benchcon.view.dark_keys import END_DARK
from benchcon.view.palette import BAD, GOOD, QUIET, UNKNOWN, WARN
from benchcon.view.showing import DARK_WHYS, LIVENESS_WORDS, STAGE_WORDS, liveness_of

if TYPE_CHECKING:
    from benchcon.link import PortInfo
    from benchcon.timing.links import LinkVerdict


class BoardStatus(NamedTuple):
    """The status of a board as a shape, a colour and words."""

    shape: str
    colour: str
    word: str
    """One or two words, such as ``live`` or ``silent 4 s``."""
    advice: str
    """A sentence that says what it means and what to do; empty if all is well."""
    loud: bool = False
    """If there is not enough room, the status is shown rather than the board's name."""


_LOOKS = {
    "live": ("●", GOOD),
    "asking": ("◌", WARN),
    "silent": ("?", UNKNOWN),
    "lost": ("✕", BAD),
    "released": ("–", QUIET),
    "refused": ("!", BAD),
    "foreign": ("≠", WARN),
    "absent": ("✕", QUIET),
    "connecting": ("◌", QUIET),
    "opening": ("◌", QUIET),
    "waiting": ("!", WARN),
    "listening": ("◌", WARN),
    "duplicate": ("!", BAD),
    "mute": ("?", UNKNOWN),
    "trying": ("◌", WARN),
}
"""For each liveness of a board and each stage of a port, a shape and a colour."""
_ADVICE = {
    "asking": "Asking who is there; opening a port resets many boards, so this can take five seconds.",
    "silent": "No heartbeat: its states are not known. Look at its supply and cable.",
    "lost": "The port is gone. Plug it in again: the board is found on any port.",
    "released": "The port was released for another program. Reopen it when that program is done.",
    "refused": "Another board with this ident is linked: identify them, and give one of them a new ident.",
    "foreign": "What answers is not the line protocol: other firmware, a boot loader, or a wrong rate.",
    "absent": "No board of this name is connected.",
    "connecting": "Its port is being opened.",
}

_WEAK = {
    "bad lines": "Lines arrive damaged: look at the cable, its length, its shield and the ground.",
    "lines lost": "Lines are lost on the way: look at the cable and the adapter; the board's inputs are read again.",
    "repeats": "Requests have to be repeated: look at the wire to the board's receiver (RX) and at its supply.",
    "slow": "All answers are late: a USB adapter that holds bytes back (its latency timer), or a slow main loop.",
}
"""Advice for a link that is live but not well, by what is wrong with it."""


def status_of(
    board: BoardState | None, now_us: int, verdict: LinkVerdict | None = None, absent: str = "absent"
) -> BoardStatus:
    """Return the status of `board` at `now_us`; `verdict` is what ailed its link in the last few minutes.

    `absent` is the liveness of a board that is None.
    """
    key = liveness_of(board, now_us, absent)
    shape, colour = _LOOKS.get(key, ("?", UNKNOWN))
    word = LIVENESS_WORDS.get(key, key)
    advice = _ADVICE.get(key, "")
    dark = key == "live" and board is not None and board.dark
    if board is not None:
        if key == "silent" and board.last_heard_us is not None:
            word = f"silent {age_text(now_us - board.last_heard_us, 0)}"
        if key in ("lost", "foreign") and board.link_detail:
            advice = f"{capitalised(printable(board.link_detail))}. {advice}"
        weak = board.weakness(now_us) if key == "live" else ""
        if weak:
            shape, colour, word, advice = "◍", WARN, weak, _WEAK[weak]
            if weak == "slow":
                word = f"slow {(board.round_trip_floor_us or 0) // 1000} ms"
        if key == "live" and verdict is not None:
            advice = verdict.sentence
            if verdict.trouble != "host":  # that is not the link's fault
                shape, colour, word = "◍", WARN, verdict.word
        if dark:
            why = DARK_WHYS.get(board.dark_why, "")
            shape, colour, word = "◐", WARN, "dark"
            advice = f"All outputs are off and held off{f' ({why})' if why else ''}; {END_DARK} ends it."
    return BoardStatus(shape, colour, word, advice, dark)


def status_of_port(port: PortInfo) -> BoardStatus:
    """Return the status of a port on which no board is known; its advice is what the link says about it."""
    shape, colour = _LOOKS.get(port.stage, ("?", UNKNOWN))
    return BoardStatus(shape, colour, STAGE_WORDS.get(port.stage, port.stage), port.text)


class Darkness(NamedTuple):
    """Which of the boards with outputs are dark, by their names on the panel."""

    dark: tuple[str, ...]
    not_dark: tuple[str, ...]
    """Boards that are live and not dark."""
    not_known: tuple[str, ...]
    """Boards that are silent, lost or released now, so that their last report may be out of date."""

    @property
    def everything(self) -> bool:
        """Whether all boards whose state is known are dark, and there are any."""
        return bool(self.dark) and not self.not_dark


def darkness(boards: Mapping[str, BoardState], now_us: int) -> Darkness:
    """Return which boards are dark at `now_us`."""
    found: dict[str, list[str]] = {"dark": [], "not_dark": [], "not_known": []}
    for name, board in boards.items():
        if any(channel.is_output for channel in board.channels.values()):
            known = liveness_of(board, now_us) == "live"
            found["not_known" if not known else "dark" if board.dark else "not_dark"].append(name)
    return Darkness(**{key: tuple(names) for key, names in found.items()})
