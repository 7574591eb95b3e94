"""Questions over the screen: a line to type, which is checked, or a choice of keys."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import ClassVar, NamedTuple

from rich.text import Text
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.screen import ModalScreen
from textual.widget import Widget
from textual.widgets import Input, Static

from benchcon.console.keyline import KeyLine
from benchcon.errors import Trouble


class HelpAbout(NamedTuple):
    """The help text for a question on the screen."""

    title: str
    why: str
    more: str = ""


class LineInput(Input):
    """A line of text, which Enter accepts; keys are handled in order."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("enter", "submit", "OK")]
    HELP_KEYS: ClassVar[list[BindingType]] = [
        *BINDINGS,
        Binding("ctrl+u", "delete_left_all", "Clear the line, to the left of the cursor"),
        Binding("left,right,home,end", "cursor", "Move within the line"),
    ]
    """The keys that help lists."""


class Ask(ModalScreen[str | None]):
    """Asks for one line of text; returns it, or None if the user cancels.

    If `check` raises `Trouble`, its message is shown and the question stays.
    """

    def __init__(
        self,
        title: str,
        why: str,
        text: str = "",
        *,
        check: Callable[[str], object] | None = None,
        may_be_empty: bool = False,
        leave: str = "Cancel",
        more: str = "",
    ) -> None:
        """`leave` is the word for Esc on the key line; `more` is further help text."""
        super().__init__()
        self.help_about = HelpAbout(title, why, more)
        self._bindings.bind("escape", "leave", leave)
        self._title, self._why, self._text = title, why, text
        self._check = check
        self._may_be_empty = may_be_empty

    def compose(self) -> ComposeResult:
        """Yield title, reason, the line, and room for what is wrong with it."""
        with Vertical(classes="slip"):
            yield Static(Text(self._title), classes="slip-title")
            yield Static(Text(self._why), classes="slip-why")
            yield LineInput(self._text, id="line")
            yield from self.more_lines()
            yield Static("", id="wrong")
        yield KeyLine()

    def more_lines(self) -> Iterable[Widget]:
        """Return widgets below the line; none by default."""
        return ()

    def on_input_submitted(self) -> None:
        """Check the line, and return it if it is right."""
        text = self.query_one(Input).value.strip()
        if not text and not self._may_be_empty:
            self.query_one("#wrong", Static).update(Text("Type something, or cancel with Esc."))
            return
        if self._check is not None:
            try:
                self._check(text)
            except Trouble as trouble:
                self.query_one("#wrong", Static).update(Text(str(trouble)))
                return
        self.dismiss(text)

    def action_leave(self) -> None:
        """Cancel."""
        self.dismiss(None)


class Choice(ModalScreen[str | None]):
    """A question with a few answers, each with its key; returns the key, or None if the user cancels."""

    def __init__(self, title: str, why: str, answers: dict[str, str], *, more: str = "") -> None:
        """`answers` gives a word for each key; `more` is further help text."""
        super().__init__()
        self.help_about = HelpAbout(title, why, more)
        self._title, self._why = title, why
        for key, word in answers.items():
            self._bindings.bind(key, f"answer('{key}')", word)
        self._bindings.bind("escape", "answer('')", "Cancel")

    def compose(self) -> ComposeResult:
        """Yield title and reason; the answers are keys on the last row."""
        with Vertical(classes="slip"):
            yield Static(Text(self._title), classes="slip-title")
            yield Static(Text(self._why), classes="slip-why")
        yield KeyLine()

    def action_answer(self, key: str) -> None:
        """Return the key, or None for Esc."""
        self.dismiss(key or None)
