"""The result of a rehearsal, in words and as JUnit XML."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from benchcon.durations import seconds_text
from benchcon.rehearse.expect import WRONG_RULE, Expectation
from benchcon.rehearse.rehearsal import BrokenExpectation, Rehearsal
from benchcon.text import counted, printable, repeated

RULES = "(rules)"
"""In place of an expectation's name: that no rule went wrong."""
MOST_SHOWN = 20


@dataclass(slots=True)
class ScenarioResult:
    """The result of one scenario."""

    path: str
    title: str
    lasted_s: float
    took_s: float
    """How many seconds it took; 0 on real boards, where that is the scenario's own time."""
    expectations: Sequence[Expectation]
    due: dict[Expectation, int]
    failed: Sequence[BrokenExpectation]
    mistakes: dict[str, tuple[int, int]]
    capture: Path | None = None
    remarks: list[str] = field(default_factory=list)
    not_judged: Sequence[Expectation] = ()
    """Expectations whose rule went wrong; they do not count as kept, whatever was shown."""

    @property
    def good(self) -> bool:
        """Whether nothing was broken and no rule went wrong."""
        return not self.failed and not self.mistakes

    @property
    def never(self) -> list[Expectation]:
        """Expectations that were never due, and so were not tested."""
        broken = {failed.broken.expectation for failed in self.failed}
        broken |= set(self.not_judged)
        return [each for each in self.expectations if not self.due.get(each) and each not in broken]


def result_of(rehearsal: Rehearsal, took_s: float, capture: Path | None) -> ScenarioResult:
    """Return the result of a rehearsal that has ended."""
    scenario = rehearsal.scenario
    held = {each: rehearsal.judge.held[each] for each in scenario.checks if each in rehearsal.judge.held}
    return ScenarioResult(
        printable(scenario.path),
        scenario.title,
        scenario.lasts_us / 1e6,
        took_s,
        scenario.checks,
        rehearsal.judge.due,
        rehearsal.failed,
        rehearsal.mistakes,
        capture,
        [f"not judged while {why}: {printable(each.name)}" for each, why in held.items() if why != WRONG_RULE],
        [each for each, why in held.items() if why == WRONG_RULE],
    )


def texts(result: ScenarioResult) -> dict[str, str]:
    """Return name of an expectation, or `RULES` → what went wrong, in one or more lines; empty if nothing did."""
    found = {RULES: "\n".join(_mistakes(result))}
    for expectation in result.expectations:
        broken = [failed for failed in result.failed if failed.broken.expectation is expectation]
        lines = [line for failed in broken[:MOST_SHOWN] for line in _lines_of(failed, result)]
        if len(broken) > MOST_SHOWN:
            lines.append(f"and {len(broken) - MOST_SHOWN} times more")
        if not broken and expectation in result.not_judged:
            lines.append(_not_judged(expectation, result))
        found[name_of(expectation, found)] = "\n".join(lines)
    return found


def name_of(expectation: Expectation, taken: dict[str, str] | None = None) -> str:
    """Return the name of an expectation, with its line if another has the same name."""
    name = printable(expectation.name)
    return f"{name} (line {expectation.line})" if taken and name in taken else name


def names(expectations: Sequence[Expectation]) -> list[str]:
    """Return the names in `texts` of these expectations, beginning with `RULES`."""
    found = {RULES: ""}
    for expectation in expectations:
        found[name_of(expectation, found)] = ""
    return list(found)


def mistakes_in_words(count: int) -> str:
    """Return the number of mistakes in rules, in words for a summary."""
    return f"{counted(count, 'mistake').upper()} in rules"


def as_text(result: ScenarioResult) -> str:
    """Return the whole result as text for people."""
    lines = [line for failed in result.failed[:MOST_SHOWN] for line in _lines_of(failed, result)]
    if len(result.failed) > MOST_SHOWN:
        lines.append(f"{result.path}: and {len(result.failed) - MOST_SHOWN} more not met")
    lines += _mistakes(result)
    lines += [_not_judged(each, result) for each in result.not_judged]
    lines += [f"{result.path}:{each.line}: never due, so not tested: {printable(each.name)}" for each in result.never]
    lines += [f"{result.path}: {remark}" for remark in result.remarks]
    broken = {failed.broken.expectation for failed in result.failed}
    not_judged = [each for each in result.not_judged if each not in broken]
    met = len(result.expectations) - len(broken) - len(not_judged) - len(result.never)
    parts = [f"{met} of {len(result.expectations)} expectations met" if result.expectations else "nothing was expected"]
    parts += [f"{len(broken)} NOT MET"] if broken else []
    parts += [f"{len(not_judged)} NOT JUDGED"] if not_judged else []
    parts += [mistakes_in_words(len(result.mistakes))] if result.mistakes else []
    pace = f"{result.lasted_s:g} s"
    if result.took_s:
        pace += (
            f", in {result.took_s:.2g} s: {result.lasted_s / max(result.took_s, 1e-6):.0f} times faster than real time"
        )
    lines.append(f"{result.path}: {printable(result.title)}: {', '.join(parts)} ({pace})")
    return "\n".join(lines)


def _lines_of(failed: BrokenExpectation, result: ScenarioResult) -> Iterator[str]:
    broken = failed.broken
    expected = printable(broken.expectation.name)
    head = f"{result.path}:{broken.expectation.line}: NOT MET at {seconds_text(failed.after_us)}"
    yield f"{head}: {printable(broken.found)}; expected: {expected}"
    yield f"    values: {_pairs(failed.values)}"
    yield f"    controls: {_pairs(failed.controls)}"
    for rule in failed.rules:
        yield f"    rule: {printable(rule)}"
    if result.capture is not None:
        yield f"    capture: {printable(str(result.capture))}, at {seconds_text(broken.at_us)}"


def _not_judged(expectation: Expectation, result: ScenarioResult) -> str:
    return f"{result.path}:{expectation.line}: not judged, as {WRONG_RULE}: {printable(expectation.name)}"


def _mistakes(result: ScenarioResult) -> Iterator[str]:
    for text, (first_us, times) in list(result.mistakes.items())[:MOST_SHOWN]:
        yield f"{text} ({repeated(f'first at {seconds_text(first_us)}', times)})"


def _pairs(pairs: dict[str, str]) -> str:
    return ", ".join(f"{name} {printable(text)}" for name, text in pairs.items()) or "none"
