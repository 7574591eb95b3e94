"""Comparing rules with what really happened: the controls and values of a capture go through the rules.

What the panel showed is compared with what the rules say. This shows whether changed rules still do the same, or, if
another program drove the panel, where that differs from the rules. Pure: batches in, differences out.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

from benchcon.durations import seconds_text
from benchcon.panel.lightness import looks_permille, sent_permille
from benchcon.panel.model import Lamp
from benchcon.panel.segments import or_blank
from benchcon.rehearse.engine import Engine
from benchcon.rehearse.expect import LEVEL_PERMILLE
from benchcon.rehearse.rehearsal import TICK_US
from benchcon.rehearse.result import mistakes_in_words
from benchcon.rehearse.rules_file import Rules
from benchcon.rehearse.scenario import Scenario
from benchcon.rehearse.seen import SeenOutputs
from benchcon.rehearse.showing import Shown, outputs_of
from benchcon.state import BenchState
from benchcon.wire.events import Event, Link
from benchcon.wire.records import Batch

TOLERANCE_US = 200_000
"""How far the panel may lag behind the rules, or the rules behind the panel."""
MOST_TICKS = 1200
"""Most calls of rules that take the time, in a period in which nothing else happens."""
NO_DATA = "no data"
MOST_LISTED = 20
"""Most differences, and most mistakes in rules, that are listed."""


class Differs(NamedTuple):
    """An output that showed something different from its rule for longer than the tolerance."""

    output: str
    at_us: int
    """When the difference began, since the beginning of the capture."""
    lasted_us: int
    says: str
    shows: str
    rule: str


class Against:
    """Compares a capture with rules: feed it all batches in order, then call `end`; see `differences`."""

    def __init__(self, scenario: Scenario, rules: Rules) -> None:
        self.engine = Engine(scenario.panel, scenario.behaviour, rules)
        self.state = BenchState()
        self.seen = SeenOutputs(scenario.panel, self.state)
        self.differences: list[Differs] = []
        self.mistakes: dict[str, int] = {}
        """A mistake in the rules, with file and line → when it first happened, since the beginning of the capture."""
        self.compared: set[str] = set()
        """Outputs that could be compared at least for a while."""
        self.strange: set[str] = set()
        """Names of recorded values that the behaviour file lacks, or has in another unit."""
        self._values = {value.name: value for value in scenario.behaviour.values}
        self._parts = outputs_of(scenario.panel)
        self._since: dict[str, tuple[int, str, str]] = {}
        self._began_us: int | None = None
        self._now_us = 0

    def feed(self, batches: Iterable[Batch]) -> None:
        """Take batches."""
        for batch in batches:
            if self._began_us is None:
                self._began_us = self._now_us = batch.at_us
            self._go_on(batch.at_us)
            happened = self.state.feed(batch)
            inputs, _ = self.seen.feed(happened, batch.at_us)
            self.engine.update(inputs)
            for event in happened:
                if isinstance(event, Link) and event.word == "values":
                    self._take_values(event)
            self._step(batch.at_us, happened)

    def end(self) -> list[Differs]:
        """End the comparison; return all differences in the order of their times."""
        for output in list(self._since):
            self._settle(output, self._now_us)
        self.differences.sort(key=lambda each: (each.at_us, each.output))
        return self.differences

    # --- inside -----------------------------------------------------------------------------------------------------

    def _go_on(self, at_us: int) -> None:
        """Let the time pass to the next batch."""
        if self.engine.timed and at_us > self._now_us:
            step_us = max(TICK_US, (at_us - self._now_us) // MOST_TICKS)
            for tick_us in range(self._now_us + step_us, at_us, step_us):
                self._step(tick_us, ())
        inputs, _ = self.seen.tick(at_us)
        self.engine.update(inputs)
        self._now_us = max(at_us, self._now_us)

    def _take_values(self, event: Link) -> None:
        for name, text in event.detail.items():
            value = self._values.get(name)
            try:
                if value is None:
                    raise ValueError
                known = text != NO_DATA
                number = (value.number(text) if value.unit else value.number(float(text))) if known else None
            except ValueError:
                self.strange.add(name)
                continue
            self.engine.set(name, number)

    def _step(self, at_us: int, happened: Iterable[Event]) -> None:
        self.engine.step((at_us - (self._began_us or 0)) / 1e6)
        for mistake in self.engine.mistakes.values():
            self.mistakes.setdefault(mistake.text, at_us - (self._began_us or 0))
        for output, part in self._parts.items():
            says, shows = self.engine.shown.get(output), self.seen.shows(output)
            board = part.channel.board
            if says is None or says.why or shows is None or not self.seen.can_show(board):
                self._settle(output, at_us)
                continue
            self.compared.add(output)
            texts = (or_blank(says.text), or_blank(self.seen.in_words(output).strip("'")))
            if self._same(part, says, shows):
                self._settle(output, at_us)
            elif output not in self._since:
                self._since[output] = (at_us, *texts)

    def _settle(self, output: str, at_us: int) -> None:
        """Note that an output agrees with its rule again, or cannot be compared."""
        since = self._since.pop(output, None)
        if since is None or at_us - since[0] <= TOLERANCE_US:
            return
        began_us = since[0] - (self._began_us or 0)
        where = self.engine.where(output)
        self.differences.append(Differs(output, began_us, at_us - since[0], since[1], since[2], where))

    @staticmethod
    def _same(part: object, says: Shown, shows: int | bytes) -> bool:
        if isinstance(part, Lamp):
            assert isinstance(says.value, int)
            assert isinstance(shows, int)
            wanted = looks_permille(part, sent_permille(part, says.value))
            return abs(wanted - shows) <= LEVEL_PERMILLE and (wanted > 0) == (shows > 0)
        return says.value == shows


def as_text(path: str, found: Against) -> str:
    """Return the result as text for people; `path` must be printable."""
    lines = [
        f"{path}: at {seconds_text(each.at_us)} for {seconds_text(each.lasted_us)}: {each.output}: the rule says "
        f"{each.says}, the panel shows {each.shows} ({each.rule})"
        for each in found.differences[:MOST_LISTED]
    ]
    if len(found.differences) > MOST_LISTED:
        lines.append(f"{path}: and {len(found.differences) - MOST_LISTED} more")
    wrong = list(found.mistakes.items())
    lines += [f"{path}: at {seconds_text(at_us)}: {text}" for text, at_us in wrong[:MOST_LISTED]]
    if len(wrong) > MOST_LISTED:
        lines.append(f"{path}: and {len(wrong) - MOST_LISTED} more mistakes in rules")
    if found.strange:
        lines.append(
            f"{path}: recorded values that the behaviour file lacks or has in another unit: "
            f"{', '.join(sorted(found.strange))}"
        )
    ruled = {name for rule in found.engine.rules.rules for name in rule.drives}
    left = sorted(ruled - found.compared)
    if left:
        lines.append(f"{path}: never compared, because one side was not known: {', '.join(left)}")
    outputs = {each.output for each in found.differences}
    parts = [f"{len(outputs)} DIFFER"] if outputs else []
    parts += [mistakes_in_words(len(wrong))] if wrong else []
    verdict = ", ".join(parts) or "the panel showed what the rules say"
    lines.append(f"{path}: {len(found.compared)} of {len(ruled)} outputs compared: {verdict}")
    return "\n".join(lines)
