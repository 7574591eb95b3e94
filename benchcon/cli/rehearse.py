"""``benchcon rehearse``: the panel doing its work by its rules, with no simulator attached."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path

    from benchcon.rehearse.result import Result


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.add_argument(
        "scenarios", nargs="+", metavar="SCENARIO", help="scenario files; the rules that they name are run"
    )
    parser.add_argument("--rules", metavar="FILE", help="rules file, in place of the one that the scenario names")
    parser.add_argument("--panel", metavar="FILE", help="panel file, in place of the one that the scenario names")
    parser.add_argument(
        "--captures",
        metavar="DIR",
        help="leave a capture of each scenario in this folder; without it, of those that fail, in the current one",
    )
    parser.add_argument("--junit", metavar="FILE", help="write the result as JUnit XML")
    parser.add_argument("--force", action="store_true", help="overwrite the JUnit file if it is there")


def run(args: argparse.Namespace) -> int:
    """Play the scenarios: 0 all expectations kept, 1 some broken or a rule went wrong, 2 it could not be done."""
    from pathlib import Path

    from benchcon.errors import Trouble
    from benchcon.rehearse.play import play
    from benchcon.rehearse.result import as_text
    from benchcon.rehearse.scenario import Named
    from benchcon.replay.output import may_write
    from benchcon.text import printable

    may_write(args.junit, force=args.force)
    panel, rules = (Path(file) if file else None for file in (args.panel, args.rules))
    named = Named(panel, rules)
    captures = Path(args.captures or ".")
    if not captures.is_dir():
        raise Trouble(f"--captures {printable(args.captures)}: there is no such folder")
    results = []
    for scenario in args.scenarios:
        result = play(scenario, named, captures=captures, always=args.captures is not None)
        print(as_text(result), flush=True)
        results.append(result)
    if args.junit:
        _junit(Path(args.junit), results, args.force)
    return 0 if all(result.good for result in results) else 1


def _junit(path: Path, results: list[Result], force: bool) -> None:
    from benchcon.rehearse.result import texts
    from benchcon.replay.junit import as_junit
    from benchcon.replay.output import new_file
    from benchcon.replay.verdict import Verdict

    verdicts = []
    for result in results:
        never = [f"never due, so not tested: {each.name}" for each in result.never]
        verdicts.append(Verdict(f"rehearsal of {result.path}", texts(result), never))
    with new_file(path, force=force) as out:
        out.write(as_junit("benchcon", verdicts))
