"""The last row of the screen: the keys that work now, as many as fit, and clickable."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import NamedTuple

from textual import events
from textual.binding import Binding

from benchcon.console.canvas import Canvas
from benchcon.console.canvas_widget import Drawn
from benchcon.console.ink import ink
from benchcon.view.dark_keys import DARK_KEYS
from benchcon.view.palette import BAD, BRASS, ENGRAVED, GROUND, IVORY, RAISED

_SHORT = {"keep": "Save", "name": "Name", "stop_recording": "Stop rec"}
_SHORT |= {"type('0')": "Number", "mark(1)": "Marks", "all": "All", "follow": "Now"}
"""Short words for keys whose help text is longer."""

_FIRST = ("help", "end_dark")
_LAST = ("dark",)


class ShownKey(NamedTuple):
    """A key, its word, and their place on the row."""

    key: str
    face: str
    word: str
    start: int
    end: int


_FACES = {
    "space": "Space",
    "enter": "Enter",
    "escape": "Esc",
    "plus": "+",
    "minus": "-",
    "equals_sign": "=",
    "left_square_bracket": "[",
    "right_square_bracket": "]",
    "slash": "/",
    "comma": ",",
    "full_stop": ".",
    "less_than_sign": "<",
    "greater_than_sign": ">",
    "question_mark": "?",
    "tab": "Tab",
    "shift+tab": "Shift+Tab",
    "up": "↑",
    "down": "↓",
    "left": "←",
    "right": "→",
    "backspace": "Backspace",
    "delete": "Del",
    "pageup": "PgUp",
    "pagedown": "PgDn",
    "end": "End",
    "home": "Home",
}


def key_face(binding: Binding) -> str:
    """Return how the key of a binding is written on the screen."""
    if binding.key_display:
        return binding.key_display
    return face_of(binding.key)


def face_of(key: str) -> str:
    """Return how the key called `key` is written on the screen."""
    if key in _FACES:
        return _FACES[key]
    if key == "ctrl+backslash":
        return "^\\"
    if key.startswith("ctrl+"):
        return "^" + key[5:].upper()
    if key.startswith("shift+"):
        return key[6:].upper() if len(key) == 7 else "Shift+" + face_of(key[6:])
    return key.upper() if key.startswith("f") and key[1:].isdigit() else key


class KeyLine(Drawn):
    """One row of keys. Help is always first and Dark last; keys that do not fit between them are listed in the help.

    `only` limits a row to the keys of these actions, in this order; `without` leaves these out. The actions `needed`
    get room before others, the most needed first; an empty one stands for the next key of the widget with the focus.
    """

    GROUND = RAISED
    DEFAULT_CSS = """
    KeyLine { height: 1; dock: bottom; }
    """

    def __init__(
        self,
        *,
        only: Collection[str] = (),
        without: Collection[str] = (),
        needed: Sequence[str] = (),
        id: str | None = None,
    ) -> None:
        super().__init__(id=id)
        self._only, self._without, self._needed = only, without, needed
        self._shown: list[ShownKey] = []

    def on_mount(self) -> None:
        """Redraw whenever the bindings change, as with focus and selection."""
        self.screen.bindings_updated_signal.subscribe(self, lambda _: self.call_after_refresh(self.repaint))

    def paint(self, canvas: Canvas) -> None:
        """Draw the keys."""
        canvas.wipe(0, 0, canvas.width, 1, self.ground)
        self._shown = self._laid_out(canvas.width)
        for shown in self._shown:
            dark = shown.word == "DARK"
            colour = (GROUND, BAD) if dark else (BRASS, RAISED)
            face = f" {shown.face} " if dark else shown.face
            canvas.write(shown.start, 0, face, ink(*colour, bold=True, reverse=dark and not self.colour))
            style = ink(GROUND, BAD, bold=True) if dark and self.colour else ink(IVORY if dark else ENGRAVED, RAISED)
            canvas.write(shown.start + len(face), 0, ("" if dark else " ") + shown.word + (" " if dark else ""), style)

    def _word(self, binding: Binding) -> str:
        return _SHORT.get(binding.action, binding.description)

    def _laid_out(self, width: int) -> list[ShownKey]:
        chosen: dict[str, tuple[str, str, str]] = {}
        for _, binding, enabled, _ in self.screen.active_bindings.values():
            name = binding.action.partition("(")[0]
            elsewhere = name not in self._only if self._only else name in self._without
            if binding.show and enabled and not elsewhere and binding.action not in chosen:
                chosen[binding.action] = (binding.key, key_face(binding), self._word(binding))
        for binding in self.app._bindings.key_to_bindings.get(DARK_KEYS[0], ()):
            # Dark works over every question, too, although the question's own bindings do not have it.
            if not self._only and self.app.check_action(binding.action, ()):
                chosen.setdefault(binding.action, (binding.key, key_face(binding), binding.description))
        if self._only:
            order = list(self._only)
            chosen = dict(sorted(chosen.items(), key=lambda each: order.index(each[0].partition("(")[0])))
        first = [chosen.pop(name) for name in _FIRST if name in chosen]
        last = [chosen.pop(name) for name in _LAST if name in chosen]
        end = width - sum(len(face) + len(word) + 3 for _, face, word in last)
        shown: list[ShownKey] = []
        fits = self._fitting([*first, *self._ranked(chosen)], end - 2)
        x = 1
        for each in [*first, *chosen.values()]:
            if each in fits:
                key, face, word = each
                wide = len(face) + 1 + len(word)
                shown.append(ShownKey(key, face, word, x, x + wide))
                x += wide + 2
        for key, face, word in last:
            shown.append(ShownKey(key, face, word, end, width))
        return shown

    def _ranked(self, chosen: dict[str, tuple[str, str, str]]) -> list[tuple[str, str, str]]:
        """Return the keys, the most needed first."""
        left = dict(chosen)
        ranked = []
        for name in self._needed:
            action = name or next(iter(left), "")
            if action in left:
                ranked.append(left.pop(action))
        return [*ranked, *left.values()]

    @staticmethod
    def _fitting(keys: Sequence[tuple[str, str, str]], room: int) -> set[tuple[str, str, str]]:
        """Return as many keys as fit, in this order."""
        found = set()
        for each in keys:
            wide = len(each[1]) + 1 + len(each[2])
            if wide <= room:
                found.add(each)
                room -= wide + 2
        return found

    def on_click(self, event: events.Click) -> None:
        """Do what the clicked key does."""
        for shown in self._shown:
            if shown.start <= event.x < shown.end:
                event.stop()
                self.app.simulate_key(shown.key)
                return
