"""One simulated board: ``python -m benchcon.rig --panel FILE --board NAME``.

Prints ``NAME PORT HAND`` and works until SIGTERM or Ctrl-C.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path

from benchcon.errors import Trouble


def main(argv: Sequence[str] | None = None) -> int:
    """Run one board; return the exit code: 0 ended, 2 it could not be started."""
    parser = argparse.ArgumentParser(prog="python -m benchcon.rig", description="One simulated board of a panel.")
    parser.add_argument("--panel", required=True, type=Path, help="the panel file")
    parser.add_argument("--board", required=True, help="the name of the board in it")
    parser.add_argument("--tcp", action="store_true", help="TCP ports instead of a pseudo-terminal and a Unix socket")
    parser.add_argument("--faults", type=Path, help="a faults file")
    parser.add_argument("--seed", type=int, help="seed of chance; else that of the faults file")
    parser.add_argument("--folder", type=Path, help="private folder for the port's name and the control connection")
    parser.add_argument("--follow", action="store_true", help="end when standard input ends")
    args = parser.parse_args(argv)
    try:
        from benchcon.panel.file import load
        from benchcon.rig import faults_file
        from benchcon.rig.board import SimBoard
        from benchcon.rig.process import run
        from benchcon.rig.wiring import wiring

        panel = load(args.panel, currents=False)
        faults = faults_file.load(args.faults, panel) if args.faults else faults_file.FaultsFile()
        seed = faults.seed if args.seed is None else args.seed
        board = SimBoard(wiring(panel, args.board), seed=seed, faults=faults.of(args.board))
        run(board, tcp=args.tcp, folder=args.folder, follow=args.follow)
    except Trouble as trouble:
        print(f"benchcon: {trouble}", file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        return 0
    return 0


if __name__ == "__main__":
    sys.exit(main())
