"""Running a capture against one of its targets, and the verdict: for each channel, whether and how it differs."""

from __future__ import annotations

from dataclasses import dataclass, field

from benchcon.durations import seconds_text
from benchcon.errors import Trouble
from benchcon.panel.file import load
from benchcon.replay.cases import CaptureCase
from benchcon.replay.compare_text import as_text, in_context, summary, what
from benchcon.replay.keyframes import hold_against_keyframes
from benchcon.replay.rerun import Rerun, rerun
from benchcon.replay.script import script_of
from benchcon.replay.targets import NotHere, WantedBoards, named_as, panel_file, start_of
from benchcon.replay.timed import Timed, timed
from benchcon.replay.tracks import tracks_of
from benchcon.text import first_of
from benchcon.timing.delay_words import as_text as delays_as_text
from benchcon.timing.delay_words import counts_words, failure_of, name_of, verdict_words

WHOLE = "(run)"
"""In place of a channel's name: the run as a whole."""
MOST_SHOWN = 5


@dataclass(slots=True)
class Verdict:
    """The result of running a capture against one target."""

    target: str
    channels: dict[str, str]
    """``board.channel`` → how it differs, in one or more lines; empty if it does not."""
    remarks: list[str] = field(default_factory=list)
    """What was left out or held back, one line each; these do not count as differences."""
    text: str = ""
    """The whole report."""
    untested: dict[str, str] = field(default_factory=dict)
    """``board.channel`` → why it neither passed nor failed, for channels of which nothing was seen."""

    @property
    def same(self) -> bool:
        """Whether nothing differs."""
        return not any(self.channels.values())


def run_against(case: CaptureCase, target: str) -> Verdict:
    """Run a capture against one of its targets. Raises `Trouble` if that fails, `NotHere` if it is not available."""
    if target == "state":
        return against_state(case)
    if target == "timing":
        return against_timing(case)
    script = script_of(case.path)
    then = tracks_of(case.path)
    try:
        start = start_of(target)
        with panel_file(script.panel.text, case.panel) as panel, named_as(panel, case.panel):
            with start(WantedBoards(panel, script.boards, case.faults)) as boards:
                again = rerun(script, then, boards.ports, boards.hands, case.how)
    except Trouble as trouble:
        text = f"{script.path}: against {target}: {trouble}"
        # Subclasses (a panel that cannot be built) cannot be made from one text.
        raise (NotHere(text) if isinstance(trouble, NotHere) else Trouble(text)) from trouble
    return verdict_of(target, again)


def against_state(case: CaptureCase) -> Verdict:
    """Work the state out again, and compare it with the recorded keyframes."""
    held = hold_against_keyframes(case.path)
    channels = dict.fromkeys([WHOLE, *held.names], "")
    differences: dict[str, list[str]] = {}
    for one in held.otherwise:
        differences.setdefault(one.where, []).append(one.text)
    for name, lines in differences.items():
        more = [f"and {len(lines) - MOST_SHOWN} more"] if len(lines) > MOST_SHOWN else []
        channels[name] = "\n".join([*lines[:MOST_SHOWN], *more])
    if held.problems:
        channels[WHOLE] = "\n".join(held.problems)
    text = "\n".join(f"{name}: {line}" for name, text in channels.items() for line in text.splitlines())
    return Verdict("state", channels, [f"{held.keyframes} keyframes compared with the state"], text)


def against_timing(case: CaptureCase) -> Verdict:
    """Compare the transport delays with the limits of the panel file."""
    return timing_verdict(timed(case.path, load(case.panel) if case.panel else None, propose=False))


def timing_verdict(found: Timed) -> Verdict:
    """Return the verdict on the transport delays of a capture."""
    channels = {WHOLE: "\n".join(found.problems)}
    channels |= {name_of(one): failure_of(one) for one in found.delays}
    if found.virtual:
        channels[WHOLE] = found.virtual
    elif not found.delays:
        channels[WHOLE] = f"{found.path}: nothing to measure: no output of the panel file answers a control"
    remarks = [f"{name_of(one)}: {verdict_words(one)}; {counts_words(one)}" for one in found.delays]
    untested = {name_of(one): verdict_words(one) for one in found.delays if one.verdict == "not moved"}
    return Verdict("timing", channels, remarks, delays_as_text(found.delays), untested)


def verdict_of(target: str, again: Rerun) -> Verdict:
    """Return the verdict on a replay."""
    comparison = again.comparison
    channels = {WHOLE: "\n".join(again.answers)}
    for name, compared in comparison.channels.items():
        channels[name] = ""
        if compared.count:
            first = compared.differences[0]
            head = (
                f"{summary(compared)}; the first at {seconds_text(first.at_us)}: {what(compared, first, 'then', 'now')}"
            )
            channels[name] = "\n".join([head, *in_context(comparison, compared, first)])
    lines = [as_text(comparison)]
    lines += [f"answer: {text}" for text in again.answers]
    lines += [f"held back: {text}" for text in again.held]
    lines += [f"left out: {text}" for text in again.left_out]
    return Verdict(target, channels, [*again.held, *again.left_out], "\n".join(lines))


def differing(verdict: Verdict) -> str:
    """Return what differs, in words: the names of channels, and ``the run as a whole`` for anything else."""
    names = [name for name, text in verdict.channels.items() if text and name != WHOLE]
    shown = first_of(names, MOST_SHOWN)
    whole = "the run as a whole" if verdict.channels.get(WHOLE) else ""
    return "; ".join(text for text in (shown, whole) if text)


__all__ = ["WHOLE", "Verdict", "against_state", "run_against", "verdict_of"]
