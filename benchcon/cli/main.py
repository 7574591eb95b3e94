"""The command line: a table of commands, each in a file of its own that is imported only when it is called.

A command's file defines ``configure(parser)``, which adds its arguments, and ``run(args) -> int``, which returns the
exit code: 0 done, 1 a finding, 2 it could not be done; 128 and the number of a signal that ended it before it was
through (`benchcon.cli.until`), which SIGPIPE is as well: the reader of its output left. Anything heavy is imported
inside ``run``.
"""

from __future__ import annotations

import argparse
import importlib
import os
import re
import sys
import textwrap
from collections.abc import Sequence
from types import ModuleType

from benchcon.errors import Trouble
from benchcon.gate import say_on_stderr
from benchcon.text import near

COMMANDS: dict[str, tuple[str, str]] = {
    # name: (what it does, examples)
    "console": (
        "open the console on boards and, if there is one, a panel file",
        "benchcon console /dev/ttyUSB0 --panel desk.toml",
    ),
    "demo": (
        "run the Ostrey tower trainer: three simulated desks, nothing to plug in",
        "benchcon demo\nbenchcon demo --headless --seconds 30 --faults faults.toml",
    ),
    "try": (
        "run your own panel file as simulated boards, with the console on them: nothing to plug in",
        "benchcon try desk.toml\nbenchcon try desk.toml --headless --faults faults.toml",
    ),
    "hand": (
        "work the controls of a simulated board from a script, and see what shines",
        "benchcon hand\nbenchcon hand lighting press approach\nbenchcon hand unix:/tmp/benchcon-x7k2p1/met.hand lit",
    ),
    "ports": (
        "list serial ports and what is known about them",
        "benchcon ports\nbenchcon ports /dev/ttyUSB0\nbenchcon ports --json",
    ),
    "draft": (
        "write a first panel file, from what boards say about themselves or from a few questions",
        "benchcon draft /dev/ttyUSB0 -o desk.toml\nbenchcon draft -o desk.toml",
    ),
    "check": (
        "check panel, behaviour, scenario and faults files, and captures",
        "benchcon check desk.toml night.capture",
    ),
    "sheet": (
        "draw a panel at 1 : 1, to drill, cut and engrave its plate by",
        "benchcon sheet desk.toml -o desk.pdf\nbenchcon sheet desk.toml -o desk.dxf --only plate holes cutouts",
    ),
    "parts": (
        "list what to buy for a panel, down to the resistors by value",
        "benchcon parts desk.toml\nbenchcon parts desk.toml -o desk.csv",
    ),
    "record": (
        "record what boards say, sending them nothing but questions",
        "benchcon record -o night.capture --seconds 3600 /dev/ttyUSB0\n"
        "benchcon record -o week.capture --rotate-time '1 h' --keep '2 GB' --pack /dev/ttyUSB0\n"
        "benchcon record -o fault.capture --panel desk.toml --on-trigger /dev/ttyUSB0",
    ),
    "replay": (
        "open the console on a capture, or print a summary of it, or send it to a board",
        "benchcon replay night.capture\nbenchcon replay night.capture --headless --json\n"
        "benchcon replay night.capture --to /dev/ttyUSB0",
    ),
    "compare": ("compare two captures, channel by channel", "benchcon compare before.capture after.capture"),
    "export": (
        "write a capture as value change dump, CSV or JSON lines",
        "benchcon export night.capture -o night.vcd",
    ),
    "tap": (
        "stand between a board and the program that drives it, and record",
        "benchcon tap /dev/ttyUSB0 -o evening.capture\nbenchcon tap /dev/ttyUSB0 --rfc2217 --listen 127.0.0.1:4000",
    ),
    "timing": (
        "measure transport delays in captures, from a control to the output that answers it",
        "benchcon timing evening.capture\nbenchcon timing evening.capture --panel desk.toml --html timing.html",
    ),
    "walk": (
        "test every input and output, and name what is wrong",
        "benchcon walk --panel desk.toml /dev/ttyUSB0 --report walked",
    ),
    "rehearse": (
        "have the panel do its work by its rules, without a simulator, and check that it does",
        "benchcon rehearse crosswind.toml\nbenchcon rehearse scenarios/*.toml --junit rehearsal.xml\n"
        "benchcon rehearse desk-behaviour.toml /dev/ttyUSB0 --values udp:5005",
    ),
    "firmware": (
        "write a firmware build folder and a wiring list from a panel file",
        "benchcon firmware desk.toml --board lighting -o build",
    ),
    "conform": (
        "test a board against the rules of the protocol",
        "benchcon conform /dev/ttyUSB0 --junit conform.xml",
    ),
}

_MODULES = {"try": "try_panel"}
"""Commands whose name cannot be that of a module."""

_LISTS = ("examples:", "commands:")
"""How the text after the options begins."""

_DESCRIPTION = """\
Bench-test console for simulator panels: see every switch move, drive every lamp and display, walk every
input and output, record what happens and play it back. Without a command it opens the console on what is
plugged in and remembered."""


def _module(name: str) -> ModuleType:
    return importlib.import_module(f"benchcon.cli.{_MODULES.get(name, name)}")


def _fail(message: str) -> int:
    say_on_stderr(message)
    return 2


class _HelpFormatter(argparse.HelpFormatter):
    """Fills descriptions to the width of the terminal; lists below the options keep their lines."""

    def _fill_text(self, text: str, width: int, indent: str) -> str:
        if not text.startswith(_LISTS):
            return "\n\n".join(textwrap.fill(" ".join(part.split()), width) for part in text.split("\n\n"))
        return "\n".join(
            textwrap.fill(line, width, subsequent_indent=" " * self._hang(line), break_on_hyphens=False)
            for line in text.splitlines()
        )

    def _hang(self, line: str) -> int:
        """How far a list's line is indented where it goes on: to its second column, if it has one."""
        columns = re.match(r" +\S+ {2,}", line)
        return columns.end() if columns else 4 if line.startswith(" ") else 0


class _Parser(argparse.ArgumentParser):
    """Errors in one line, and exit code 2."""

    def check_options(self, words: Sequence[str]) -> None:
        """End with a proposal at the first option that there is not, before anything is missed because of it."""
        known = [option for action in self._actions for option in action.option_strings]
        for word in words:
            name = word.partition("=")[0]
            if word == "--":
                return
            if word.startswith("--") and not any(option.startswith(name) for option in known):
                self.error(f"there is no option '{name}'" + near(name, known, "'"))

    def error(self, message: str) -> None:  # type: ignore[override]
        command = self.prog.partition(" ")[2]
        hint = f"see 'benchcon {command} --help'" if command else "see 'benchcon --help'"
        sys.exit(_fail(f"{message}{'' if message.endswith('?') else ';'} {hint}"))


def _help(about: Sequence[str]) -> int:
    """Print the help of the whole or, as ``help COMMAND``, of one command."""
    parser: argparse.ArgumentParser = _top_parser()
    if about:
        if about[0] not in COMMANDS:
            return _no_command(about[0])
        parser = command_parser(about[0])
    parser.print_help()
    return 0


def _no_command(name: str) -> int:
    return _fail(f"there is no command '{name}'" + (near(name, COMMANDS, "'") or "; see 'benchcon --help'"))


def _top_parser() -> _Parser:
    lines = "\n".join(f"  {name:<11} {what}" for name, (what, _) in COMMANDS.items())
    parser = _Parser(
        prog="benchcon",
        description=_DESCRIPTION,
        formatter_class=_HelpFormatter,
        epilog=f"commands:\n{lines}\n\nexamples:\n  benchcon demo\n  benchcon ports\n"
        "  benchcon console /dev/ttyUSB0\n\n'benchcon COMMAND --help' says more about each."
        "\nexit codes: 0 done, 1 a finding, 2 it could not be done, 128 + n: signal n ended it before it was through",
    )
    from benchcon import __version__

    parser.add_argument("--version", action="version", version=f"benchcon {__version__}")
    parser.add_argument(
        "--completion",
        metavar="SHELL",
        choices=("bash", "zsh", "tcsh"),
        help="print a completion script for a shell",
    )
    parser.add_argument("command", nargs="?", metavar="COMMAND", help="one of the commands below")
    parser.add_argument("rest", nargs=argparse.REMAINDER, help=argparse.SUPPRESS)
    return parser


def command_parser(name: str) -> _Parser:
    """Return the whole parser of the command `name`."""
    what, examples = COMMANDS[name]
    parser = _Parser(
        prog=f"benchcon {name}",
        description=what[0].upper() + what[1:] + ".",
        formatter_class=_HelpFormatter,
        epilog="examples:\n" + "\n".join(f"  {line}" for line in examples.splitlines()),
    )
    _module(name).configure(parser)
    return parser


def _print_completion(shell: str) -> int:
    import shtab

    parser = argparse.ArgumentParser(prog="benchcon")
    commands = parser.add_subparsers()
    for name, (what, _) in COMMANDS.items():
        _module(name).configure(commands.add_parser(name, help=what))
    print(_without_banner(shtab.complete(parser, shell=shell)))
    return 0


def _without_banner(script: str) -> str:
    """Return a completion script without the comments that its maker puts in front, but with zsh's ``#compdef``."""
    lines = script.splitlines()
    start = next((i for i, line in enumerate(lines) if line and not line.startswith("#")), 0)
    return "\n".join([*(line for line in lines[:start] if line.startswith("#compdef")), *lines[start:]])


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code; never lets a traceback reach the user.

    ``BENCHCON_TRACEBACK=1`` in the environment lets it, for contributors.
    """
    from benchcon.gate import gated

    with gated():
        return _main(argv)


def _main(argv: Sequence[str] | None) -> int:
    given = list(sys.argv[1:] if argv is None else argv)
    try:
        try:
            code = _command(given)
        finally:
            sys.stdout.flush()  # here, where a full disk can still be reported; for --help as well, which just exits
        return code
    except KeyboardInterrupt as ended:
        if isinstance(ended.__cause__, Trouble):
            _fail(str(ended.__cause__))
        return 128 + getattr(ended, "number", 2)
    except BrokenPipeError:
        # The reader of a pipe left (`| head`): not worth a word. 13 is SIGPIPE, of which other programs die then.
        return 128 + 13
    except Trouble as trouble:
        return _fail(str(trouble))
    except Exception as error:
        if os.environ.get("BENCHCON_TRACEBACK"):
            raise
        import errno

        from benchcon.text import printable

        if isinstance(error, OSError) and error.filename and error.strerror:
            # Nobody thought of it there (a name that is too long, say), but the system has said what is wrong.
            return _fail(f"{printable(os.fsdecode(error.filename))}: {error.strerror}")
        if isinstance(error, OSError) and error.errno == errno.EMFILE:
            return _fail("this shell allows too few open files; 'ulimit -n 256' allows more, then run it again")
        what = printable(f"{type(error).__name__}: {error}")
        return _fail(f"unexpected: {what}; run again with BENCHCON_TRACEBACK=1 and report what it prints")


def _command(given: list[str]) -> int:
    """Find out which command is meant, and run it."""
    if given and given[0] in COMMANDS:
        name, rest = given[0], given[1:]
    else:
        args = _top_parser().parse_args(given)
        if args.completion:
            return _print_completion(args.completion)
        name, rest = args.command or "console", args.rest
        if name == "help":
            return _help(rest)
        if name not in COMMANDS:
            return _no_command(name)
    parser = command_parser(name)
    parser.check_options(rest)
    args = parser.parse_args(rest)
    return int(_module(name).run(args))


if __name__ == "__main__":
    sys.exit(main())
