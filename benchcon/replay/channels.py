"""Which channels a capture will be judged by; known before it is run."""

from __future__ import annotations

import fnmatch

from benchcon.panel.file import load
from benchcon.replay.cases import CaptureCase
from benchcon.replay.contents import board_name, whole_state
from benchcon.replay.timed import timed
from benchcon.replay.verdict import WHOLE
from benchcon.state.changes import OF_BOARDS, REFUSED
from benchcon.state_reader import StateReader
from benchcon.text import printable
from benchcon.timing.delay_words import name_of


def channels_of(case: CaptureCase, target: str) -> list[str]:
    """Return the names in `Verdict.channels` that `case` will have against `target`.

    Raises `Trouble` if the capture cannot be read.
    """
    if target == "timing":
        return [WHOLE, *map(name_of, timed(case.path, load(case.panel) if case.panel else None, propose=False).delays)]
    with StateReader(case.path) as reader:
        state = whole_state(reader)
    names = [WHOLE]
    if target == "state":
        names.append("bench")
    for source, board in state.boards.items():
        name = board_name(state, source)
        own = [f"{name}.{printable(channel)}" for channel in board.channels]
        if target == "state":
            names += [name, *own]
        else:
            names += [*own, *(f"{name}.{word}" for word in OF_BOARDS if word != REFUSED)]
    if target != "state":
        names = [name for name in names if not any(fnmatch.fnmatchcase(name, each) for each in case.how.ignore)]
    return list(dict.fromkeys(names))
