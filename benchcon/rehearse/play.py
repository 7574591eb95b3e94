"""Playing a scenario from its file: the entrance for the command line, pytest and the demo."""

from __future__ import annotations

import time
from pathlib import Path

from benchcon.rehearse import rules_file
from benchcon.rehearse.recorded import RehearsalCapture
from benchcon.rehearse.result import Result, result_of
from benchcon.rehearse.scenario import Named, load
from benchcon.rehearse.virtual import VirtualRun
from benchcon.rehearse.watchdog import Watchdog


def play(
    path: str | Path, named: Named | None = None, *, captures: Path | None = None, always: bool = False, seed: int = 0
) -> Result:
    """Play the scenario `path` on simulated boards, as fast as it goes. The rules that it names are run.

    `captures` is the folder where a capture of it is left if an expectation was broken, or `always`; None: none is.
    Raises `Trouble` for files that are wrong.
    """
    scenario = load(path, named)
    rules = rules_file.load(scenario.rules, scenario.panel, scenario.behaviour)
    began = time.perf_counter()
    run = VirtualRun(scenario, rules, seed=seed)
    capture = None
    if captures is not None:
        capture = RehearsalCapture(captures, run.state.keyframe, Path(scenario.path).name)
        run.listener = capture.write
    try:
        with Watchdog(run.rehearsal.engine):
            rehearsal = run.run()
        took_s = time.perf_counter() - began
        kept = None
        if capture is not None and (always or rehearsal.failed or rehearsal.mistakes):
            kept = capture.keep(Path(scenario.path).stem)
    finally:
        if capture is not None:
            capture.close()
    return result_of(rehearsal, took_s, kept)
