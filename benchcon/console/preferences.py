"""What the user chose of the console's looks, kept between runs beside the remembered ports."""

from __future__ import annotations

import contextlib
from typing import NamedTuple

from benchcon.files import write_whole
from benchcon.link.known_ports import home

THEMES = ("dark", "light")
LETTERS = ("large", "small", "off")


class Preferences(NamedTuple):
    """The looks of the console."""

    theme: str = THEMES[0]
    letters: str = LETTERS[0]
    """How what was touched last is shown."""

    def next_theme(self) -> Preferences:
        """Return the same with the other theme."""
        return self._replace(theme=_after(THEMES, self.theme))

    def next_letters(self) -> Preferences:
        """Return the same with the next size of letters."""
        return self._replace(letters=_after(LETTERS, self.letters))


def _after(words: tuple[str, ...], word: str) -> str:
    return words[(words.index(word) + 1) % len(words)]


def preferred() -> Preferences:
    """Return what was chosen last; what cannot be read, or says nothing that is known, counts as not chosen."""
    try:
        text = (home() / "looks.json").read_bytes()
    except OSError:
        return Preferences()
    import json

    try:
        told = json.loads(text)
        theme, letters = told["theme"], told["letters"]
    except (ValueError, KeyError, TypeError):
        return Preferences()
    return Preferences(
        theme if theme in THEMES else THEMES[0],
        letters if letters in LETTERS else LETTERS[0],
    )


def remember(chosen: Preferences) -> None:
    """Keep what was chosen. Where that cannot be written it holds for this run: looks are not worth an error."""
    import json

    with contextlib.suppress(Exception):
        home().mkdir(parents=True, exist_ok=True)
        write_whole(str(home() / "looks.json"), json.dumps(chosen._asdict()).encode(), force=True)
