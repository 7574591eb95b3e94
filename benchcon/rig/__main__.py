"""One simulated board: ``python -m benchcon.rig --panel FILE --board NAME``.

Prints ``NAME PORT HAND``, and runs until SIGTERM or Ctrl-C. With ``--pipes`` it starts several boards, each in a
process of its own (`benchcon.rig.forked`).
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Callable, Sequence
from pathlib import Path

from benchcon.errors import Trouble
from benchcon.gate import say_on_stderr


def main(argv: Sequence[str] | None = None) -> int:
    """Run one board, or start several; return the exit code: 0 when ended, 2 if it could not be started."""
    parser = argparse.ArgumentParser(prog="python -m benchcon.rig", description="One simulated board of a panel.")
    parser.add_argument("--panel", required=True, type=Path, help="the panel file")
    parser.add_argument("--board", required=True, action="append", help="the name of the board in it")
    parser.add_argument("--tcp", action="store_true", help="TCP ports instead of a pseudo-terminal and a Unix socket")
    parser.add_argument("--faults", type=Path, help="a faults file")
    parser.add_argument("--seed", type=int, help="random seed (default: that of the faults file)")
    parser.add_argument("--folder", type=Path, help="private folder for the port's name and the control connection")
    parser.add_argument("--follow", action="store_true", help="end when standard input ends")
    parser.add_argument(
        "--pipes", action="append", default=[], metavar="IN,OUT,ERR", help="for each board: its standard streams"
    )
    args = parser.parse_args(argv)
    if len(args.board) != (len(args.pipes) or 1):
        parser.error("several boards need as many --pipes")
    return _exit_code_of(lambda: _run(args))


def _exit_code_of(run: Callable[[], int]) -> int:
    try:
        return run()
    except Trouble as trouble:
        say_on_stderr(trouble)
        return 2
    except KeyboardInterrupt:
        return 0


def _run(args: argparse.Namespace) -> int:
    from benchcon.rig.forked import Pipes, fork_boards

    pipes = [Pipes.read(each) for each in args.pipes]
    if pipes:
        os.dup2(pipes[0].stderr, 2)  # an error that keeps all of them from starting is reported as the first one's

    from benchcon.panel.file import load
    from benchcon.rig import faults_file
    from benchcon.rig.board import SimBoard
    from benchcon.rig.process import run
    from benchcon.rig.wiring import wiring

    panel = load(args.panel, currents=False)
    faults = faults_file.load(args.faults, panel) if args.faults else faults_file.FaultsFile()
    seed = faults.seed if args.seed is None else args.seed

    def work(name: str) -> int:
        board = SimBoard(wiring(panel, name), seed=seed, faults=faults.of(name))
        run(board, tcp=args.tcp, folder=args.folder, follow=args.follow)
        return 0

    if pipes:
        return fork_boards(lambda name: _exit_code_of(lambda: work(name)), list(zip(args.board, pipes, strict=True)))
    return work(args.board[0])


if __name__ == "__main__":
    sys.exit(main())
