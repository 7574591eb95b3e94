"""Playing a scenario from its file, for the command line, pytest and the demo."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING

from benchcon.rehearse import rules_file
from benchcon.rehearse.live import LiveRun
from benchcon.rehearse.publishing import Publisher
from benchcon.rehearse.recorded import RehearsalCapture
from benchcon.rehearse.result import ScenarioResult, result_of
from benchcon.rehearse.scenario import Named, Scenario, load
from benchcon.rehearse.sources import broker_of, source_of
from benchcon.rehearse.virtual import VirtualRun
from benchcon.rehearse.watchdog import Watchdog
from benchcon.text import counted, repeated

if TYPE_CHECKING:
    from benchcon.rig.hand import Hand
    from benchcon.session import LiveSession


def play(
    path: str | Path,
    named: Named | None = None,
    *,
    captures: Path | None = None,
    always: bool = False,
    tell: Callable[[str], object] = lambda text: None,
) -> ScenarioResult:
    """Play the scenario `path` on simulated boards, as fast as possible. This runs the rules that it names.

    `named`: files to use instead of those that it names. `captures`: folder in which a capture is left if an
    expectation was broken, or `always`; None: none is. `tell` is called with one line,
    on another thread, about a rule that does not return. Raises `Trouble` if a file is wrong.
    """
    scenario = load(path, named)
    rules = rules_file.load(scenario.rules, scenario.panel, scenario.behaviour)
    began = time.perf_counter()
    run = VirtualRun(scenario, rules)
    capture = None
    if captures is not None:
        capture = RehearsalCapture(captures, run.state.keyframe, Path(scenario.path).name)
        run.listener = capture.write
    try:
        with Watchdog(run.rehearsal.engine, on_stuck=tell):
            rehearsal = run.run()
        took_s = time.perf_counter() - began
        kept = None
        if capture is not None and (always or rehearsal.failed or rehearsal.mistakes):
            kept = capture.keep(Path(scenario.path).stem)
    finally:
        if capture is not None:
            capture.close()
    return result_of(rehearsal, took_s, kept)


class LivePlay:
    """A scenario on the boards of `session`, in real time. Use it in a ``with`` statement.

    `values`: where values come from, see `sources.source_of`; `publish`: the broker to which the panel's state is
    published. `tell` is called with one line when the rules file was saved; with `stay` rules and values go on after
    the end. Raises `Trouble` if the rules are wrong.
    """

    def __init__(
        self,
        session: LiveSession,
        scenario: Scenario,
        *,
        hands: Mapping[str, Hand],
        ask: Callable[[str], bool] | None,
        values: Sequence[str] = (),
        publish: str = "",
        tell: Callable[[str], object] = lambda text: None,
        stay: bool = False,
    ) -> None:
        rules = rules_file.load(scenario.rules, scenario.panel, scenario.behaviour)
        self.session, self.scenario = session, scenario
        self.run = LiveRun(session, scenario, rules, hands=hands, ask=ask, stay=stay)
        self.run.on_broken = self._keep
        self.run.on_rules = self.run.on_complaint = tell
        self._values = list(values)
        self._publish = publish
        self._kept: list[Path] = []
        self._began = time.monotonic()
        self._open = contextlib.ExitStack()

    def _keep(self) -> None:
        if not self._kept:
            self._kept.append(self.session.keep_last())

    def __enter__(self) -> LivePlay:
        run = self.run
        with contextlib.ExitStack() as stack:
            sources = [source_of(word, self.scenario.behaviour, run.offer, run.complain) for word in self._values]
            if self._publish:
                publisher = Publisher(broker_of(self._publish), run)
                run.on_turn = publisher.look
                run.on_stuck = publisher.hang
                publisher.start()
                stack.callback(publisher.close)
            self._began = time.monotonic()
            run.start()
            stack.callback(run.close)
            for source in sources:
                source.start()
                stack.callback(source.close)
            self._open = stack.pop_all()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self._open.close()

    def result(self) -> ScenarioResult:
        """Return the result, after it is closed. Raises the exception that ended the run early, if any."""
        run, scenario = self.run, self.scenario
        if run.trouble is not None:
            raise run.trouble
        result = result_of(run.rehearsal, 0.0, self._kept[0] if self._kept else None)
        result.remarks += [repeated(f"left out: {text}", times) for text, times in run.left_out.items()]
        result.remarks += [repeated(text, times) for text, times in run.complaints.items()]
        if self._values:
            result.remarks.append(f"{counted(run.taken, 'value')} came from other programs")
        if not scenario.actions:
            result.lasted_s = round(time.monotonic() - self._began, 1)
        elif not run.over:
            result.remarks.append(f"ended after {time.monotonic() - self._began:.1f} s, before it was over")
        return result


def play_live(play: LivePlay, ended: Callable[[float], bool]) -> ScenarioResult:
    """Play a scenario to its end, and return the result.

    `ended` is called with the longest time to wait, in seconds, and returns whether to end early.
    """
    with play:
        while not play.run.wait(0) and not ended(0.05):
            pass
    return play.result()
