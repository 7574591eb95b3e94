"""The build folder on disk: complete, independent of benchcon, and put in place in one step.

DIR/benchboard/   the sketch: firmware sources, benchboard.ino, panel_map.h, panel_map.c
DIR/main.c        what the sketch's loop does, for a build without the Arduino tool chain
DIR/native/       the same board as a program for this computer
DIR/Makefile      make, make native, make size, make flash PORT=…
DIR/wiring.txt, wiring.md, emulator.wiring
"""

from __future__ import annotations

import os
import re
import shutil
from collections.abc import Callable, Sequence
from pathlib import Path

from benchcon.errors import Trouble
from benchcon.files import cannot_be_written, need_folder
from benchcon.firmware import leftovers
from benchcon.firmware.board_plan import Plan
from benchcon.firmware.chips import BAUDS
from benchcon.firmware.emulator_wiring import emulator_wiring
from benchcon.firmware.panel_map import header, source
from benchcon.firmware.wiring_list import as_markdown, as_text, sections
from benchcon.panel.reader import PanelRemark
from benchcon.protocol_files import protocols_dir
from benchcon.text import printable

MARK = "# Firmware of one panel board, written by `benchcon firmware`."
"""First line of the Makefile, by which --force recognises a folder that it may replace."""
NATIVE = ("main.c", "hand.c", "moves.c", "host_hal.c")
"""Sources of the board as a program for this computer; their folder holds other programs too."""
OURS = ("benchboard", "native", "build")
"""Folders that are replaced whole."""
_NAMES = (*OURS, "main.c", "Makefile", "wiring.txt", "wiring.md", "emulator.wiring")
"""Everything at the top of a build folder."""


def files(plan: Plan, baud: int = BAUDS[0], advice: Sequence[PanelRemark] = ()) -> dict[str, bytes]:
    """Return path in the build folder → contents of every file. `advice` goes into the wiring list."""
    firmware = protocols_dir() / "firmware"
    found: dict[str, bytes] = {}
    for folder in ("core", "avr"):
        for path in _sources(firmware / folder):
            place = "main.c" if (folder, path.name) == ("avr", "main.c") else f"benchboard/{path.name}"
            found[place] = path.read_bytes()
    native = [*NATIVE, *(path.name for path in _sources(firmware / "native") if path.suffix == ".h")]
    found |= {f"native/{name}": (firmware / "native" / name).read_bytes() for name in native}
    found["benchboard/benchboard.ino"] = (firmware / "arduino" / "benchboard.ino").read_bytes()
    listed = sections(plan, baud, advice)
    core = [path.name for path in _sources(firmware / "core") if path.suffix == ".c"]
    port = [path.name for path in _sources(firmware / "avr") if path.suffix == ".c" and path.name != "main.c"]
    texts = {
        "benchboard/panel_map.h": header(plan, baud),
        "benchboard/panel_map.c": source(plan),
        "Makefile": makefile(plan, core, port, NATIVE, _smaller(firmware)),
        "wiring.txt": as_text(listed),
        "wiring.md": as_markdown(listed),
        "emulator.wiring": emulator_wiring(plan),
    }
    return found | {name: text.encode() for name, text in texts.items()}


def _sources(folder: Path) -> list[Path]:
    found = sorted(path for path in folder.glob("*.[ch]") if path.is_file())
    if not found:
        raise Trouble(f"the folder {printable(str(folder))} contains no firmware: install benchcon again")
    return found


def _smaller(firmware: Path) -> str:
    """Return the additional compiler options of the firmware's own Makefile, so that this build is the same."""
    found = re.search(r"^SMALLER :=((?:.*\\\n)*.*)$", (firmware / "Makefile").read_text(), re.MULTILINE)
    return " ".join(found[1].replace("\\\n", " ").split()) if found else ""


def makefile(plan: Plan, core: Sequence[str], port: Sequence[str], native: Sequence[str], smaller: str = "") -> str:
    """Return the Makefile; the names are those of C files of the sketch folder, and of `native/`."""
    chip = plan.chip
    bauds = " or ".join(map(str, chip.boot_bauds))
    return f"""{MARK}
#
#   make                   build/benchboard.hex for the {chip.title} (Debian: apt-get install gcc-avr avr-libc)
#   make size              how much of its memory that takes
#   make flash PORT=/dev/ttyUSB0   load it with the board's boot loader (Debian: apt-get install avrdude)
#   make native            build/benchboard-native: the same board as a program for this computer
#
# Or open the folder benchboard/ in the Arduino tool chain, choose the board ({chip.boards}) and upload.

CHIP := {chip.core}
# as avrdude calls it
PART := {chip.name}
BAUD ?=
PROGRAMMER := {chip.programmer}
# of the boot loader: {bauds}
BOOT_BAUD ?= {chip.boot_bauds[0]}
PORT ?=

CORE := {" ".join(core)} panel_map.c
AVR := {" ".join(port)}
NATIVE := {" ".join(native)}

AVR_CC ?= avr-gcc
CC ?= cc
NATIVE_FLAGS ?= -O2
WARNINGS := -Wall -Wextra -Wno-type-limits
AVR_FLAGS := -std=gnu99 -Os $(WARNINGS) -mmcu=$(CHIP) -DF_CPU=16000000ul $(if $(BAUD),-DBAUD=$(BAUD)) \\
\t-flto -fwhole-program -ffunction-sections -fdata-sections -Wl,--gc-sections {smaller}
AVR_SOURCES := main.c $(addprefix benchboard/,$(CORE) $(AVR))
NATIVE_SOURCES := $(addprefix benchboard/,$(CORE)) $(addprefix native/,$(NATIVE))
HEADERS := $(wildcard benchboard/*.h native/*.h)

.PHONY: all native size flash clean
all: build/benchboard.hex

build/benchboard.elf: $(AVR_SOURCES) $(HEADERS)
\t@mkdir -p build
\t$(AVR_CC) $(AVR_FLAGS) -Ibenchboard $(AVR_SOURCES) -o $@

build/benchboard.hex: build/benchboard.elf
\tavr-objcopy -O ihex -R .eeprom $< $@

size: build/benchboard.elf
\tavr-size $<

flash: build/benchboard.hex
\t@test -n "$(PORT)" || {{ echo "say which port: make flash PORT=/dev/ttyUSB0" >&2; exit 2; }}
\tavrdude -p $(PART) -c $(PROGRAMMER) -P $(PORT) -b $(BOOT_BAUD) -D -U flash:w:$<:i

native: build/benchboard-native

build/benchboard-native: $(NATIVE_SOURCES) $(HEADERS)
\t@mkdir -p build
\t$(CC) -std=c99 $(NATIVE_FLAGS) $(WARNINGS) -DBB_SCAN_US=1000u -Ibenchboard -Inative $(NATIVE_SOURCES) -o $@

clean:
\trm -rf build
"""


def may_write(folder: Path, *, force: bool) -> None:
    """Raise `Trouble` if `write` could not put a build folder at `folder`."""
    shown = printable(str(folder))
    need_folder(folder)
    if not folder.exists() and not folder.is_symlink():
        return
    if not folder.is_dir():
        raise Trouble(f"{shown} exists already and is not a folder; give another name")
    if not any(folder.iterdir()):
        return
    if not force:
        raise Trouble(f"{shown} exists already; give another name, or --force to replace what benchcon wrote in it")
    if not _is_ours(folder):
        raise Trouble(
            f"{shown} was not written by 'benchcon firmware', so --force does not replace it; give another name"
        )


def _is_ours(folder: Path) -> bool:
    try:
        with open(folder / "Makefile", "rb") as file:
            return file.read(200).startswith(MARK.encode())
    except OSError:
        return False


def write(
    folder: Path, wanted: dict[str, bytes], *, force: bool = False, look: Callable[[Path], None] | None = None
) -> None:
    """Write the files `wanted` (from `files`) to `folder`: all of them, or none.

    They are written to a folder beside it, which takes its place at the end; `look` can inspect that one first, and
    raise. With `force` an earlier build folder is replaced; other files at its top level are kept. Raises `Trouble` if
    that fails or is not allowed.
    """
    folder = Path(os.path.realpath(folder))  # a link stays a link
    leftovers.clear_up(folder, _NAMES, lambda old: _put_back(old, folder))
    may_write(folder, force=force)
    try:
        with leftovers.new_folder(folder) as new:
            new.chmod(0o777 & ~_umask())
            for name, raw in wanted.items():
                (new / name).parent.mkdir(exist_ok=True)
                (new / name).write_bytes(raw)
            if look:
                look(new)
            _swap(new, folder)
    except OSError as error:
        raise cannot_be_written(error.filename or folder, error) from None


def _umask() -> int:
    mask = os.umask(0o077)
    os.umask(mask)
    return mask


def _swap(new: Path, folder: Path) -> None:
    if not folder.exists() or not any(folder.iterdir()):
        os.rename(new, folder)  # replaces an empty folder
        return
    with leftovers.held(folder):
        old = leftovers.beside(folder, leftovers.OLD)
        os.rename(folder, old)
        try:
            os.rename(new, folder)
        except OSError:
            os.rename(old, folder)
            raise
        _keep_other_files(old, folder)


def _put_back(old: Path, folder: Path) -> None:
    """Undo the replacement of `folder` by a run that was killed, or finish it. `old` is what was being replaced."""
    if not any(old.iterdir()):
        old.rmdir()
    elif not folder.exists():
        os.rename(old, folder)
    elif _is_ours(folder):
        _keep_other_files(old, folder)


def _keep_other_files(old: Path, folder: Path) -> None:
    """Move the user's own files at the top of `old` to `folder`, which has replaced it, and remove the rest."""
    for path in list(old.iterdir()):
        if path.name not in OURS and not (folder / path.name).exists():
            os.rename(path, folder / path.name)
    shutil.rmtree(old, ignore_errors=True)
