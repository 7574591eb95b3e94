"""The help: what the screen shows and every key, taken from the bindings themselves so that it is never out of date."""

from __future__ import annotations

from collections.abc import Iterable
from typing import ClassVar

from rich.text import Text
from textual.app import ComposeResult
from textual.binding import Binding, BindingsMap, BindingType
from textual.containers import VerticalScroll
from textual.screen import ModalScreen
from textual.widgets import Static

from benchcon.console.ink import BRASS, ENGRAVED, IVORY
from benchcon.console.keyline import KeyLine, key_face

ABOUT = """\
Every part stands where it is on the panel. ○ is a lamp that is off, ● one that is lit, in its own colour, with its \
level beside it; □ a button released, ■ pressed; ▄ ▀ a switch down and up; ◆ a selector's position. \
“? not known” means that the board is silent, lost or let go: nothing shown there is current.

The control last touched stands in large letters below the face.

Dark (F9 or Ctrl-D, at any moment, from any screen) puts every output off and holds it off until Light (F8). If a \
board does not confirm within half a second the screen says so: pull the plug. Leaving the console goes dark too; if \
this program dies, the boards go dark by themselves after two seconds.

Lamps under test: no lamp flashes more than three times a second and no board is asked for more current than its \
budget in the panel file; what was held back for that is counted under Links."""


class Help(ModalScreen[None]):
    """Keys by where they work."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape,f1,question_mark,q", "close", "Back")]

    def __init__(self, groups: Iterable[tuple[str, BindingsMap]]) -> None:
        super().__init__()
        self._groups = list(groups)

    def compose(self) -> ComposeResult:
        """The text, scrolling."""
        with VerticalScroll(id="help"):
            yield Static(self._text())
        yield KeyLine()

    def on_mount(self) -> None:
        """Let the arrows scroll."""
        self.query_one(VerticalScroll).focus()

    def _text(self) -> Text:
        text = Text()
        text.append("Keys\n\n", f"bold {IVORY}")
        for title, bindings in self._groups:
            seen: dict[str, list[str]] = {}
            for _, binding in bindings:
                if binding.description and not binding.system:
                    faces = seen.setdefault(binding.description, [])
                    face = key_face(binding)
                    if face not in faces:
                        faces.append(face)
            if not seen:
                continue
            text.append(f"{title}\n", f"bold {BRASS}")
            for word, faces in seen.items():
                text.append(f"  {'  '.join(faces):<22}", IVORY)
                text.append(f"{word}\n", ENGRAVED)
            text.append("\n")
        text.append("What it shows\n\n", f"bold {IVORY}")
        text.append(ABOUT, ENGRAVED)
        return text

    def action_close(self) -> None:
        """Back to where it was called from."""
        self.dismiss(None)
