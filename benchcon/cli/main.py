"""The command line: a table of commands, each in a module of its own that is imported only when it is called.

A command's module defines ``configure(parser)``, which adds its arguments, and ``run(args) -> int``, which returns the
exit code: 0 done, 1 a finding, 2 it could not be done. If a signal ended the command before it was done, the code is
128 + the signal (`benchcon.cli.until`); that includes SIGPIPE, when the reader of its output has gone. Anything slow
to import is imported inside ``run``.
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

from benchcon.errors import TRACEBACK, Trouble, wants_traceback
from benchcon.gate import say_on_stderr
from benchcon.text import capitalised, did_you_mean, near, nearest

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
        "work the controls of a simulated board from a script, and see which lamps are lit",
        "benchcon hand\nbenchcon hand lighting press approach\nbenchcon hand unix:/tmp/benchcon-x7k2p1/met.hand lit",
    ),
    "ports": (
        "list serial ports and what is known about them, or ask who answers",
        "benchcon ports\nbenchcon ports /dev/ttyUSB0\nbenchcon ports --json",
    ),
    "draft": (
        "write a first panel file, from what boards report about themselves or from a few questions",
        "benchcon draft /dev/ttyUSB0 -o desk.toml\nbenchcon draft -o desk.toml",
    ),
    "check": (
        "check panel, behaviour, scenario and faults files, and captures",
        "benchcon check desk.toml night.capture",
    ),
    "sheet": (
        "draw a panel at 1 : 1, for drilling, cutting and engraving its plate",
        "benchcon sheet desk.toml -o desk.pdf\nbenchcon sheet desk.toml -o desk.dxf --only plate holes cutouts",
    ),
    "parts": (
        "list what to buy for a panel, down to the resistors by value",
        "benchcon parts desk.toml\nbenchcon parts desk.toml -o desk.csv",
    ),
    "record": (
        "record what boards send, without switching anything on them",
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
        "sit between a board and the program that drives it, and record both",
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
        "run a panel by its rules, without a simulator, and check what it does",
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
"""Modules of commands whose own name cannot be a module's, by command."""

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
        """Return how many columns a list's continuation lines are indented: to its second column, if it has one."""
        columns = re.match(r" +\S+ {2,}", line)
        return columns.end() if columns else 4 if line.startswith(" ") else 0


class _Parser(argparse.ArgumentParser):
    """A parser that reports errors in one line and exits with code 2."""

    def check_options(self, words: Sequence[str]) -> None:
        """Exit at the first unknown option, with a proposal, before argparse complains of what it thinks is missing."""
        known = [option for action in self._actions for option in action.option_strings]
        names = [option[2:] for option in known if option.startswith("--")]
        for word in words:
            name = word.partition("=")[0]
            if word == "--":
                return
            if word.startswith("--") and not any(option.startswith(name) for option in known):
                # The dashes, which all have, would make any two short options look alike.
                found = nearest(name[2:], names)
                self.error(f"there is no option '{name}'" + did_you_mean(found and f"--{found}", "'"))

    def error(self, message: str) -> None:  # type: ignore[override]
        command = self.prog.partition(" ")[2]
        hint = f"see 'benchcon {command} --help'" if command else "see 'benchcon --help'"
        sys.exit(_fail(f"{message}{'' if message.endswith('?') else ';'} {hint}"))


def _help(about: Sequence[str]) -> int:
    """Print the general help or, for ``help COMMAND``, that of one command."""
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
        "\nexit codes: 0 done, 1 a finding, 2 it could not be done, 128 + n: signal n ended it before it was done",
    )
    from benchcon import PROGRAM

    parser.add_argument("--version", action="version", version=PROGRAM)
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
    """Return the parser of the command `name`, a key of `COMMANDS`, with its arguments."""
    what, examples = COMMANDS[name]
    parser = _Parser(
        prog=f"benchcon {name}",
        description=f"{capitalised(what)}.",
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
    """Return a completion script without the comments that shtab puts in front, but with zsh's ``#compdef``."""
    lines = script.splitlines()
    start = next((i for i, line in enumerate(lines) if line and not line.startswith("#")), 0)
    return "\n".join([*(line for line in lines[:start] if line.startswith("#compdef")), *lines[start:]])


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code. An unexpected error becomes one line on stderr, not a traceback.

    ``BENCHCON_TRACEBACK=1`` in the environment lets the traceback through, for contributors.
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
        # The reader of a pipe has gone (`| head`): no message. 13 is SIGPIPE, which ends other programs then.
        return 128 + 13
    except Trouble as trouble:
        return _fail(str(trouble))
    except Exception as error:
        if wants_traceback():
            raise
        import errno

        from benchcon.text import printable

        if isinstance(error, OSError) and error.filename and error.strerror:
            # No code caught it (a name that is too long, say), but the system's message says what is wrong.
            return _fail(f"{printable(os.fsdecode(error.filename))}: {error.strerror}")
        if isinstance(error, OSError) and error.errno == errno.EMFILE:
            return _fail("this shell allows too few open files; 'ulimit -n 256' allows more, then run it again")
        what = printable(f"{type(error).__name__}: {error}")
        return _fail(f"unexpected: {what}; run again with {TRACEBACK}=1 and report what it prints")


def _command(given: list[str]) -> int:
    """Find the command that is meant, run it, and return its exit code."""
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
