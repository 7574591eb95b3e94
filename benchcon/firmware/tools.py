"""Running external tools: make and avr-gcc to compile, avr-size to measure, avrdude to load."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from collections.abc import Callable, Sequence
from pathlib import Path

from benchcon.errors import Trouble
from benchcon.firmware.chips import Chip
from benchcon.firmware.limits import MemoryUse
from benchcon.text import printable

COMPILE_S = 300.0
"""No build takes this long, on any machine."""
LOAD_S = 300.0

_WHERE = {
    "make": "apt-get install make",
    "avr-gcc": "apt-get install gcc-avr avr-libc",
    "avr-size": "apt-get install binutils-avr",
    "avr-objcopy": "apt-get install binutils-avr",
    "avrdude": "apt-get install avrdude",
}
COMPILERS = ("make", "avr-gcc", "avr-size", "avr-objcopy")


def missing(tools: Sequence[str]) -> str:
    """Return in words which of `tools` are not installed, with their Debian packages; empty if all are."""
    lacking = [tool for tool in tools if shutil.which(tool) is None]
    if not lacking:
        return ""
    how = "; ".join(dict.fromkeys(_WHERE[tool] for tool in lacking))
    return f"{', '.join(lacking)} {'is' if len(lacking) == 1 else 'are'} not installed (Debian: {how})"


def _run(command: Sequence[str], folder: Path, seconds: float) -> tuple[int, str]:
    """Run `command` in `folder` for at most `seconds`; return exit code and everything that it printed."""
    try:
        done = subprocess.run(
            command,
            cwd=folder,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            timeout=seconds,
        )
    except subprocess.TimeoutExpired:
        return 1, f"{command[0]} took more than {seconds:g} s"
    except OSError as error:
        return 1, f"{command[0]}: {error.strerror}"
    return done.returncode, done.stdout.decode("utf-8", "replace")


def _telling(output: str) -> str:
    """Return the printable line of a tool's output that best says what went wrong."""
    lines = [line.strip() for line in output.splitlines() if line.strip()]
    marked = [line for line in lines if re.search(r"\berror\b|not in sync|can't open|cannot|No such|timeout", line)]
    return printable((marked or lines[-1:] or ["no message"])[0][:300])


def make(folder: Path, *targets: str) -> None:
    """Compile what is in `folder`. Raises `Trouble` if it does not compile."""
    code, output = _run(["make", *targets], folder, COMPILE_S)
    if code:
        raise Trouble(f"the firmware does not compile: {_telling(output)}")


def build(folder: Path) -> MemoryUse:
    """Compile the build folder, and return its use of memory. Raises `Trouble` if it does not compile."""
    make(folder)
    code, output = _run(["avr-size", "-A", "build/benchboard.elf"], folder, COMPILE_S)
    sizes = {name: int(size) for name, size in re.findall(r"^(\.\w+)\s+(\d+)\s", output, re.MULTILINE)}
    if code or ".text" not in sizes:
        raise Trouble(f"avr-size cannot measure the firmware: {_telling(output)}")
    data = sizes.get(".data", 0)
    return MemoryUse(sizes[".text"] + data, data + sizes.get(".bss", 0) + sizes.get(".noinit", 0))


def avrdude_command(chip: Chip, port: str, boot_baud: int, image: str) -> list[str]:
    """Return the command that loads `image` with the usual boot loader; -D: no erasing, the loader does that."""
    words = ["avrdude", "-p", chip.name, "-c", chip.programmer, "-P", port, "-b", str(boot_baud), "-D"]
    return [*words, "-U", f"flash:w:{image}:i"]


def load(chip: Chip, folder: Path, port: str, say: Callable[[str], None]) -> int:
    """Load the built firmware into the board at `port`, and return the boot loader's rate that worked, in baud.

    The caller must hold the port's lock. The rates of the usual boot loaders are tried in turn. Raises `Trouble` with
    avrdude's message if none works.
    """
    said = ""
    for boot_baud in chip.boot_bauds:
        # avrdude runs in the build folder, but the port's path is relative to the user's folder.
        there = os.path.abspath(port) if os.path.exists(port) else port
        command = avrdude_command(chip, there, boot_baud, "build/benchboard.hex")
        say(printable(" ".join(command)))
        code, output = _run(command, folder, LOAD_S)
        if code == 0:
            return boot_baud
        said = said or _telling(output)
    rates = " and ".join(map(str, chip.boot_bauds))
    raise Trouble(
        f"{printable(port)}: avrdude could not load the firmware (boot loader at {rates} baud): {said}; "
        f"is it the right port, and a board with an {chip.title}? The board's program may be erased: load again"
    )
