"""Finds the parts that a person names: by name or label, or all of a board by its name or label."""

from __future__ import annotations

from benchcon.errors import Trouble
from benchcon.panel.model import Panel, Part
from benchcon.text import near, printable


def boards_of(part: Part) -> set[str]:
    """Return the boards that `part` is wired to."""
    return {channel.board for channel in part.channels}


def of_board(panel: Panel, board: str) -> list[str]:
    """Return the names of the parts on `board`, in the panel's order."""
    return [part.name for part in panel.parts if board in boards_of(part)]


def chosen(panel: Panel, text: str) -> list[str]:
    """Return the names of the parts that `text` lists, separated by commas; empty if it lists none.

    Raises `Trouble`, with the nearest name or label, for a word that names nothing.
    """
    words: dict[str, list[str]] = {}
    for board in panel.boards:
        for word in (board.name, board.label):
            words.setdefault(word.casefold(), of_board(panel, board.name))
    by_label: dict[str, list[str]] = {}
    for part in panel.parts:
        by_label.setdefault(part.label.casefold(), []).append(part.name)
    words.update(by_label)
    words.update({part.name.casefold(): [part.name] for part in panel.parts})
    words.pop("", None)
    names: set[str] = set()
    for item in text.split(","):
        word = " ".join(item.split())
        if not word:
            continue
        if word.casefold() not in words:
            hint = near(word, words, "'")
            raise Trouble(f"no part and no board is called '{printable(word[:40])}'{hint}")
        names.update(words[word.casefold()])
    return [part.name for part in panel.parts if part.name in names]
