"""A hand for boards that know only their channels: firmware, on an emulated chip or on this machine."""

from __future__ import annotations

from benchcon.panel.model import Control, Panel
from benchcon.rig.hand import Hand

_MOVES = ("press", "release", "put", "turn")


class ChannelHand(Hand):
    """A `Hand` that knows the panel's parts as well as channels."""

    def __init__(self, control: str, panel: Panel, board: str) -> None:
        super().__init__(control)
        self._controls: dict[str, Control] = {}
        for each in panel.controls:
            if any(channel.board == board for channel in each.channels):
                self._controls |= {each.name: each}
        for each in list(self._controls.values()):
            self._controls |= {channel.id: each for channel in each.channels if channel.id not in self._controls}

    def ask(self, *words: str, allow_s: float = 0.0) -> list[str]:
        """Send a request as `Hand.ask` does; one that names a part becomes requests for its channels."""
        control = self._controls.get(words[1]) if len(words) > 1 and words[0] in _MOVES else None
        if control is None:
            return super().ask(*words, allow_s=allow_s)
        word, part, *rest = words
        position = self._position(word, part, control, rest)
        if position is None:
            name = control.channels[0].id if part == control.name else part
            return super().ask(word, name, *rest, allow_s=allow_s)
        code = list(zip(control.channels, control.codes[position], strict=True))
        # A switch breaks before it makes.
        for channel, made in sorted(code, key=lambda each: each[1]):
            super().ask("press" if made else "release", channel.id, allow_s=allow_s)
        return []

    @staticmethod
    def _position(word: str, part: str, control: Control, rest: list[str]) -> int | None:
        """Return the position that a switch or button is to move to; None if a channel is meant, or there is none."""
        if not control.codes or any(value > 1 for code in control.codes for value in code):
            return None
        if word in ("press", "release") and part == control.name:
            return int(word == "press")
        asked = rest[0] if word == "put" and rest else ""
        return int(asked) if asked.isdecimal() and int(asked[:6]) < len(control.codes) else None
