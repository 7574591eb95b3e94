"""The last question before a walk: the folder for its report, who walks, and the panel's serial number."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING, ClassVar, NamedTuple

from rich.text import Text
from textual.binding import Binding, BindingType
from textual.widget import Widget
from textual.widgets import Input, Static

from benchcon.console import kept
from benchcon.console.ask import Ask, LineInput

if TYPE_CHECKING:
    from benchcon.panel.model import Panel

LONGEST = 40
"""Most characters of a name or a serial number, as for the serial number in a panel file."""
_FILE = "walks.json"
_PANELS = 50
"""Number of panels, those walked last, whose serial number is kept."""

ABOUT_WHO = "The page to keep with the panel names the tester, and the serial number if there are several such panels."


class Signature(NamedTuple):
    """Who walks, and the serial number of the panel, for the report."""

    by: str = ""
    serial: str = ""


UNSIGNED = Signature()


class Begin(Ask):
    """Asks for the folder and, on two more lines with the last entries, who walks and the serial number."""

    CSS = """
    Begin.-low .slip-why { max-height: 2; }
    Begin.-low .label { max-height: 1; }
    Begin.-lowest .label, Begin.-lowest .more { display: none; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [Binding("tab,down", "app.focus_next", "Next line")]

    def __init__(
        self, why: str, folder: str, signed: Signature, *, check: Callable[[str], object], more: str = ""
    ) -> None:
        super().__init__("Walk", why, folder, check=check, may_be_empty=True, more=f"{more} {ABOUT_WHO}".strip())
        self._signed = signed

    def more_lines(self) -> Iterable[Widget]:
        """Return the lines for who walks and for the serial number."""
        yield Static(Text("Name of the tester, for the page to keep"), classes="label")
        yield LineInput(self._signed.by, id="who", classes="more", max_length=LONGEST)
        yield Static(Text("Serial number of this panel, if there are several"), classes="label")
        yield LineInput(self._signed.serial, id="serial", classes="more", max_length=LONGEST)

    @property
    def signed(self) -> Signature:
        """The entries on the two lines."""
        return Signature(*(self.query_one(f"#{name}", Input).value.strip() for name in ("who", "serial")))


def _key(panel: Panel) -> str:
    return panel.title or panel.path


def last_signed(panel: Panel) -> Signature:
    """Return who walked last, and the serial number last given for this panel, or its file's."""
    by = kept.read(_FILE).get("by")
    return Signature(by if isinstance(by, str) else "", _serials().get(_key(panel), panel.serial))


def keep(panel: Panel, signed: Signature) -> None:
    """Save who walked and the serial number for the next walk."""
    serials = _serials()
    serials.pop(_key(panel), None)
    if signed.serial != panel.serial:
        serials[_key(panel)] = signed.serial
    kept.write(_FILE, {"by": signed.by, "serials": dict([*serials.items()][-_PANELS:])})


def _serials() -> dict[str, str]:
    found = kept.read(_FILE).get("serials")
    return {name: text for name, text in found.items() if isinstance(text, str)} if isinstance(found, dict) else {}
