"""The user's choice of theme and letters, kept between runs beside the remembered ports."""

from __future__ import annotations

from typing import NamedTuple

from benchcon.console import kept

_FILE = "looks.json"
THEMES = ("dark", "light")
LETTERS = ("large", "small", "off")


class Preferences(NamedTuple):
    """The user's choices for the look of the console."""

    theme: str = THEMES[0]
    letters: str = LETTERS[0]
    """How the part touched last is shown, one of `LETTERS`."""

    def next_theme(self) -> Preferences:
        """Return the preferences with the other theme."""
        return self._replace(theme=_after(THEMES, self.theme))

    def next_letters(self) -> Preferences:
        """Return the preferences with the next size of letters."""
        return self._replace(letters=_after(LETTERS, self.letters))


def _after(words: tuple[str, ...], word: str) -> str:
    return words[(words.index(word) + 1) % len(words)]


def preferred() -> Preferences:
    """Return the last choices, with defaults for those that are not known."""
    chosen = kept.read(_FILE)
    theme, letters = chosen.get("theme"), chosen.get("letters")
    return Preferences(theme if theme in THEMES else THEMES[0], letters if letters in LETTERS else LETTERS[0])


def remember(chosen: Preferences) -> None:
    """Save the choices; if that fails they hold for this run only."""
    kept.write(_FILE, chosen._asdict())
