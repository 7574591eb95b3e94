"""The one gate through which everything goes that a command prints: what comes out of it is harmless to a terminal.

Text from a board, a capture, a panel file or a broker is made printable where it is taken. This is the second line: it
holds for every print there is and will be, whoever forgets.
"""

from __future__ import annotations

import contextlib
import os
import re
import sys
import textwrap
from collections.abc import Callable, Iterator
from typing import Any, TextIO

from benchcon.errors import Trouble
from benchcon.text import harmless

OURS = "benchcon: "
"""What every message of the program on standard error begins with."""


def say_on_stderr(message: object) -> None:
    """Print one message of the program's own on standard error, at once: standard output holds only what was asked."""
    print(f"{OURS}{message}", file=sys.stderr, flush=True)


class Gate:
    """A text stream in front of `out`. Lines and tabs pass, every other control code is written as an escape.

    So is what the stream's encoding lacks (a terminal set to ASCII), which would else end the command. The escapes are
    those of JSON (RFC 8259, section 7), so that JSON stays JSON.

    On a terminal, lines that are too long for it are broken between words; JSON is left in one piece there, too.

    What cannot be written (a full disk, a terminal that is gone) is a `Trouble`, so that nobody takes it for written;
    of messages (`messages`) it is not: they have nowhere else to go, and no command ends for one. A pipe whose reader
    has left stays a BrokenPipeError.
    """

    def __init__(self, out: TextIO, *, messages: bool = False) -> None:
        self._out = out
        self._messages = messages
        self._lost: OSError | None = None
        """Why nothing can be written any more; raised again at each attempt, as argparse ignores an OSError."""
        self._column = 0
        """Characters written of the line that is begun."""

    def write(self, text: str) -> int:
        """Write `text`, harmless; returns its length."""
        self._do(self._out.write, self._folded(_harmless(text, getattr(self._out, "encoding", None) or "utf-8")))
        return len(text)

    def _do(self, do: Callable[..., object], *args: str) -> None:
        if self._lost is None:
            try:
                do(*args)
            except OSError as error:
                self._lost = error
                self._give_up()
        if self._lost is None or self._messages:
            return
        if isinstance(self._lost, BrokenPipeError):
            raise self._lost
        why = self._lost.strerror or str(self._lost)
        raise Trouble(f"standard output cannot be written: {why}; make room, or send it elsewhere")

    def _give_up(self) -> None:
        """Keep the interpreter from writing what is left once more when it ends."""
        with contextlib.suppress(OSError, ValueError):
            nowhere = os.open(os.devnull, os.O_WRONLY)
            os.dup2(nowhere, self._out.fileno())
            os.close(nowhere)

    def _folded(self, text: str) -> str:
        width = _columns(self._out)
        first, *more = text.split("\n")
        if width:
            text = "\n".join((_folded(first, width, self._column), *(_folded(line, width) for line in more)))
        self._column = len(more[-1]) if more else self._column + len(first)
        return text

    def writelines(self, lines: list[str]) -> None:
        """Write `lines`, harmless."""
        for line in lines:
            self.write(line)

    def flush(self) -> None:
        """Have it seen: what begins a line and waits is a question, whose answer ends the line."""
        self._column = 0
        self._do(self._out.flush)

    def codes(self, text: str) -> None:
        """Write control codes of the program's own, such as a bell."""
        self._do(self._out.write, text)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._out, name)


def reader_left(out: Any) -> bool:
    """Return whether `out` is a pipe whose reader has gone: a program that prints nothing does not notice by itself."""
    import select
    import stat

    try:
        fd = out.fileno()
        if not stat.S_ISFIFO(os.fstat(fd).st_mode) or not hasattr(select, "poll"):
            return False
    except (OSError, ValueError):
        return False
    poll = select.poll()
    poll.register(fd, 0)  # what is wrong with it is always reported
    return bool(poll.poll(0))


def own_codes(out: Any, codes: str) -> None:
    """Write control codes of the program's own to `out`, past the gate if there is one."""
    if isinstance(out, Gate):
        out.codes(codes)
    else:
        out.write(codes)


@contextlib.contextmanager
def gated() -> Iterator[None]:
    """Put the gate before standard output and standard error; what was closed at the start goes nowhere."""
    _open_what_is_closed()
    before = out, err = sys.stdout, sys.stderr
    sys.stdout = out if isinstance(out, Gate) else Gate(out)
    sys.stderr = err if isinstance(err, Gate) else Gate(err, messages=True)
    try:
        yield
    finally:
        sys.stdout, sys.stderr = before


def _open_what_is_closed() -> None:
    """Have the three standard streams lead to nowhere if the program was started with them closed.

    Else the first files that it opens get their numbers, a capture perhaps, and are written into.
    """
    for number, name in enumerate(("stdin", "stdout", "stderr")):
        if getattr(sys, name) is not None:
            continue
        try:
            os.fstat(number)
        except OSError:
            while os.open(os.devnull, os.O_RDWR) < number:  # the lowest number that is free is taken
                continue
        # For the whole life of the program; nothing is lost that could be closed.
        setattr(sys, name, open(os.devnull, "r" if name == "stdin" else "w", encoding="utf-8"))  # noqa: SIM115


def _columns(out: TextIO) -> int:
    """Columns of the terminal that `out` is; 0 if it is none, or does not say."""
    try:
        return os.get_terminal_size(out.fileno()).columns if out.isatty() else 0
    except (OSError, ValueError):
        return 0


_LEAD = re.compile(r" *(?:[-*] +|\w  +)?")
"""What precedes the words of a line: spaces, and the dot or number of a list."""


def _folded(line: str, width: int, column: int = 0) -> str:
    """Return `line`, of which `column` characters stand there already, broken between words at `width`."""
    if column + len(line) <= width or line.startswith(("{", "[", '"')):
        return line
    found = _LEAD.match(line) if not column else None
    indent = " " * (found.end() if found else 0)
    begun = "\u2007" * min(column, width - 1)
    rows = textwrap.wrap(
        begun + line,
        width,
        subsequent_indent=indent if len(indent) < width // 2 else "",
        expand_tabs=False,
        replace_whitespace=False,
        break_long_words=False,
        break_on_hyphens=False,
    )
    # The space after a prompt stays, unless the last row is full: it would begin another one.
    space = " " if line.endswith(" ") and rows and len(rows[-1]) < width else ""
    return "\n".join(rows)[len(begun) :] + space


def _harmless(text: str, encoding: str) -> str:
    if text.isascii() and text.isprintable():
        return text
    kept = "".join(char if char in "\n\t" or harmless(text, at) else _escape(char) for at, char in enumerate(text))
    try:
        kept.encode(encoding)
    except UnicodeEncodeError:
        kept = "".join(char if _known(char, encoding) else _escape(char) for char in kept)
    return kept


def _known(char: str, encoding: str) -> bool:
    try:
        char.encode(encoding)
    except UnicodeEncodeError:
        return False
    return True


def _escape(char: str) -> str:
    units = char.encode("utf-16-be", "surrogatepass").hex().upper()
    return "".join(f"\\u{units[at : at + 4]}" for at in range(0, len(units), 4))
