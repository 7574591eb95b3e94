"""A panel's boards with the real firmware but without their chips: compiled for this computer, or on an emulated chip.

Builds are kept in the user's cache folder under a digest of their sources, so that the next start is quick.
"""

from __future__ import annotations

import hashlib
import os
import shutil
from collections.abc import Mapping, Sequence
from pathlib import Path

from benchcon.errors import Trouble
from benchcon.files import cannot_be_written
from benchcon.firmware import folder, tools
from benchcon.firmware.plan import plan
from benchcon.panel.model import Panel
from benchcon.protocol_files import protocols_dir
from benchcon.wire.codec import RATE

_PACKAGES = {
    "native": {"make": "make", "cc": "gcc"},
    "emulated": {"make": "make", "cc": "gcc", "avr-gcc": "gcc-avr", "avr-objcopy": "binutils-avr"},
}
_HEADERS = {
    "/usr/include/simavr/sim_avr.h": "libsimavr-dev",
    "/usr/include/libelf.h": "libelf-dev",
    "/usr/lib/avr/include/avr/io.h": "avr-libc",
}
_FOLLOW = '"$@" & child=$!; trap "kill $child" TERM; cat >/dev/null; kill $child 2>/dev/null; wait $child'
"""Shell script that runs a program until standard input ends, so that it ends with whoever started it."""


def missing(way: str) -> list[str]:
    """Return the Debian packages that `way` (``native`` or ``emulated``) needs and that are not installed."""
    found = [package for tool, package in _PACKAGES[way].items() if shutil.which(tool) is None]
    if way == "emulated":
        found += [package for header, package in _HEADERS.items() if not os.path.exists(header)]
    return list(dict.fromkeys(found))


def lacking(way: str) -> str:
    """Return one line about what to install for `way`; empty if nothing is missing."""
    packages = " ".join(missing(way))
    return f"{way} boards need packages that are not installed (Debian: apt-get install {packages})" if packages else ""


class FirmwareBoards:
    """Builds the firmware of a panel's boards, and says how to start each.

    Raises `Trouble` if the tool chain is missing, a board cannot be built, or it does not compile.
    """

    def __init__(self, panel: Panel, way: str, boards: Sequence[str] = (), *, currents: bool = True) -> None:
        """Build the firmware of `boards` (empty: all of the panel's); see `plan` for `currents`."""
        if missing_packages := lacking(way):
            raise Trouble(missing_packages)
        self.way = way
        names = boards or [board.name for board in panel.boards]
        self._plans = {name: plan(panel, name, currents=currents)[0] for name in names}
        self._emulator = _emulator() if way == "emulated" else Path()
        self._built = {name: _built(folder.files(made, RATE), way) for name, made in self._plans.items()}

    def program(self, name: str, place: Path | None = None) -> list[str]:
        """Return the command that runs the board `name` until SIGTERM, with its port and hand in the folder `place`."""
        built = self._built[name]
        if self.way == "native":
            words = [str(built / "build" / "benchboard-native"), "--name", name]
            if place is not None:
                words += ["--link", str(place / name), "--hand", f"unix:{place / f'{name}.hand'}"]
            return words
        words = [str(self._emulator), "--elf", str(built / "build" / "benchboard.elf")]
        words += ["--chip", self._plans[name].chip.core, "--wiring", str(built / "emulator.wiring")]
        return [*words, "--baud", str(RATE)]

    def command(self, name: str, place: Path | None = None) -> list[str]:
        """Return the command of `program`, so that it ends when its standard input does."""
        return ["/bin/sh", "-c", _FOLLOW, "sh", *self.program(name, place)]


def _cache() -> Path:
    if given := os.environ.get("BENCHCON_HOME"):
        return Path(given) / "built"
    import platformdirs

    return Path(platformdirs.user_cache_dir("benchcon")) / "built"


def _built(files: Mapping[str, bytes], way: str) -> Path:
    """Return the folder of a board's build, which is compiled if it does not exist yet."""
    place = _cache() / f"{way}-{_digest(files)}"
    if not (place / "done").exists():
        _in_place(place)
        folder.write(place, dict(files), force=True)
        if way == "emulated":
            tools.build(place)
        else:
            tools.make(place, "native")
        (place / "done").touch()
    return place


def _emulator() -> Path:
    source = protocols_dir() / "firmware" / "emulator"
    files = {path.name: path.read_bytes() for path in sorted(source.iterdir()) if path.is_file()}
    place = _cache() / f"emulator-{_digest(files)}"
    if not (place / "done").exists():
        _in_place(place)
        for name, raw in files.items():
            (place / name).write_bytes(raw)
        tools.make(place)
        (place / "done").touch()
    return place / "build" / "emulator"


def _in_place(place: Path) -> None:
    try:
        shutil.rmtree(place, ignore_errors=True)
        place.mkdir(parents=True)
    except OSError as error:
        raise cannot_be_written(place, error) from None


def _digest(files: Mapping[str, bytes]) -> str:
    found = hashlib.sha256()
    for name in sorted(files):
        found.update(f"{name}\0{len(files[name])}\0".encode() + files[name])
    return found.hexdigest()[:24]
