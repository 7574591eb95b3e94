"""Reading a capture with its state: the state of the bench at any moment, and the panel that the capture carries."""

from __future__ import annotations

import os

from benchcon.capture.reader import Reader
from benchcon.errors import Trouble
from benchcon.panel.file import loads
from benchcon.panel.model import Panel
from benchcon.state.bench import BenchState
from benchcon.state.keyframe import read_keyframe


class StateReader(Reader):
    """A `Reader` that checks keyframes: one that cannot be read is a problem, and is skipped."""

    def __init__(self, path: str | os.PathLike[str]) -> None:
        super().__init__(path, read_keyframe)

    def state_at(self, at_us: int) -> BenchState:
        """Return the bench's state at a stamp; the reader is then before the first batch that is later."""
        state = BenchState()
        keyframe = self.seek(max(at_us, 0))
        if keyframe is not None:
            state.feed(keyframe)
        for batch in self.until(at_us):
            state.feed(batch)
        return state

    def carried_panel(self) -> Panel:
        """Return the panel of the first keyframe that can be read, and rewind.

        It has no parts if no keyframe carries a panel, or if what it carries is not a panel file.
        """
        self.rewind()
        state = BenchState()
        for batch in self:
            state.feed(batch)
            if not state.adrift:
                break
        self.rewind()
        try:
            return loads(state.panel_text, self.path, currents=False) if state.panel_text else Panel()
        except Trouble:
            return Panel()
