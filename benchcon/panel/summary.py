"""A panel in a few words: how many parts it has, and what its file does not say yet."""

from __future__ import annotations

from collections.abc import Collection

from benchcon.panel.model import Panel
from benchcon.text import counted, printable


def size_of(panel: Panel) -> str:
    """Return what is on `panel`: ``2 boards (met, power), 7 controls, 1 lamp``."""
    names = f" ({', '.join(printable(board.name) for board in panel.boards)})" if panel.boards else ""
    counts = [counted(len(panel.boards), "board") + names]
    for parts, word in ((panel.controls, "control"), (panel.lamps, "lamp"), (panel.displays, "display")):
        if parts:
            counts.append(counted(len(parts), word))
    if panel.triggers:
        counts.append(counted(len(panel.triggers), "trigger"))
    return ", ".join(counts)


def unknown_pins(panel: Panel) -> list[str]:
    """Return what the panel file gives no pin for: ``met.sw1``, or ``chain 7219 of met``."""
    channels = [channel for part in panel.parts for channel in part.channels]
    chains = [(board, chain) for board in panel.boards for chain in board.chains]
    return [
        *(channel.key for channel in channels if not channel.wire.pin),
        *(
            f"chain {chain.kind} of {board.name}"
            for board, chain in chains
            if not (chain.data and chain.clock and chain.load)
        ),
    ]


def unmatched(panel: Panel, idents: Collection[str], file: str) -> str:
    """Return in one line how the connected boards (`idents`) differ from those of the panel file; empty if they do not.

    For example ``in my.toml, but not there: desk; there, but not in my.toml: lighting, met``. For a panel without
    boards it is empty.
    """
    if not panel.boards:
        return ""
    wanted = {board.own_ident: board.name for board in panel.boards}
    missing = [name for ident, name in wanted.items() if ident not in idents]
    strange = [ident for ident in idents if ident and ident not in wanted]
    parts = [f"in {file}, but not there: {', '.join(missing)}"] if missing else []
    parts += [f"there, but not in {file}: {', '.join(strange)}"] if strange else []
    return printable("; ".join(parts))
