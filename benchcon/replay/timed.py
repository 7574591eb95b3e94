"""The timing of a capture: delays, contacts and links, under the names of a panel."""

from __future__ import annotations

import os
from dataclasses import dataclass

from benchcon.panel.model import Panel
from benchcon.replay.figures import problem_lines
from benchcon.state.described import completed
from benchcon.state_reader import StateReader
from benchcon.timing.contacts import ContactTiming
from benchcon.timing.delays import Delays
from benchcon.timing.links import LinkVerdict
from benchcon.timing.timing import Timing

VIRTUAL = "a rehearsal in virtual time, in which boards and links take no time; nothing was measured or judged"


@dataclass(slots=True)
class Timed:
    """The figures of one capture."""

    path: str
    """Printable."""
    seconds: float
    timing: Timing
    delays: list[Delays]
    contacts: list[ContactTiming]
    links: list[LinkVerdict]
    """What is wrong with the links; empty if they are healthy."""
    problems: list[str]
    """What is wrong with the file, one line each."""
    virtual: str = ""
    """Why nothing is measured, if the capture was made in virtual time; empty if in real time."""

    @property
    def broken(self) -> bool:
        """Whether any limit is exceeded."""
        return any(one.verdict == "broken" for one in self.delays)


def timed(path: str | os.PathLike[str], panel: Panel | None = None, *, propose: bool = True) -> Timed:
    """Read a whole capture, and return its figures. Without `panel` the one that it carries is used.

    Channels without a part on it are named by board and id. `propose`: also measure pairs that the panel file does not
    name. Raises `Trouble` if the capture cannot be read.
    """
    timing = Timing()
    virtual = ""
    with StateReader(path) as reader:
        if reader.words.get("time") == "virtual":
            virtual = f"{reader.shown}: {VIRTUAL}"
        panel = panel or reader.carried_panel()
        for batch in reader:
            timing.feed(batch)
        whole = completed(panel, timing.state) if propose else panel
        seconds = (reader.last_us - reader.first_us) / 1e6
        if virtual:
            return Timed(reader.shown, seconds, timing, [], [], [], problem_lines(reader), virtual)
        delays, contacts = timing.delays(whole, propose=propose), timing.contacts(whole)
        return Timed(reader.shown, seconds, timing, delays, contacts, timing.links.verdicts(), problem_lines(reader))
