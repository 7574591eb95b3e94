"""Remembered ports: those that the user has opened before, and the only ones that are opened without being named.

They are kept as JSON in the user's configuration folder (``BENCHCON_HOME`` names another one). The file is written
whole or not at all.
"""

from __future__ import annotations

import contextlib
import datetime
import os
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import NamedTuple

from benchcon.errors import Trouble
from benchcon.files import write_whole
from benchcon.link.pseudo_terminals import is_pseudo_terminal
from benchcon.text import printable

_FORM = 1
_MOST = 200
"""Most ports that are remembered; beyond that the oldest entry is dropped."""


class KnownPort(NamedTuple):
    """A remembered port."""

    port: str
    hardware: str
    """``VID:PID:serial`` of the USB device; empty if it has no serial number, and then only the path counts."""
    ident: str
    """The ident of the board that answered there last."""
    when: str
    """When it was remembered: ISO 8601, UTC."""


def home() -> Path:
    """Return the folder for what benchcon keeps between runs: ``BENCHCON_HOME``, else the platform's usual one."""
    if given := os.environ.get("BENCHCON_HOME"):
        return Path(given)
    import platformdirs

    return Path(platformdirs.user_config_dir("benchcon"))


def _file() -> Path:
    return home() / "ports.json"


def remembered() -> list[KnownPort]:
    """Return the remembered ports, oldest first. Raises `Trouble` if the file cannot be read or is damaged."""
    import json

    path = _file()
    try:
        whole = json.loads(path.read_bytes())
        if whole["form"] != _FORM:
            raise ValueError(f"form {whole['form']!r}")
        return [KnownPort(*(str(entry[key]) for key in KnownPort._fields)) for entry in whole["ports"]]
    except FileNotFoundError:
        return []
    except OSError as error:
        raise Trouble(f"{printable(str(path))}: cannot be read ({error.strerror})") from None
    except (ValueError, KeyError, TypeError, RecursionError) as error:
        why = printable(str(error))
        raise Trouble(f"{printable(str(path))}: damaged ({why}); move it away, and name your ports once more") from None


def can_be_remembered(port: str) -> bool:
    """Return whether `port` can be remembered.

    A pseudo-terminal cannot, since its number will belong to somebody else's terminal tomorrow; nor can a URL.
    """
    return "://" not in port and not is_pseudo_terminal(port)


def remember(port: str, ident: str, hardware: str = "") -> bool:
    """Remember `port`, with the ident of the board that answered there. Returns False if it cannot be remembered.

    Raises `Trouble` if the file is damaged or cannot be written.
    """
    if not can_be_remembered(port):
        return False
    now = datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")
    with _locked():
        before = remembered()
        same = [entry for entry in before if entry.port == port and entry.hardware == hardware and entry.ident == ident]
        if same:
            return True
        rest = [entry for entry in before if not _is(entry, port, hardware)]
        _write([*rest, KnownPort(port, hardware, ident, now)][-_MOST:])
    return True


def forget(port: str) -> bool:
    """Forget `port` (a path, or the ident of its board). Returns False if it was not remembered."""
    with _locked():
        before = remembered()
        rest = [entry for entry in before if port not in (entry.port, entry.ident)]
        if len(rest) == len(before):
            return False
        _write(rest)
    return True


def _is(entry: KnownPort, port: str, hardware: str) -> bool:
    return entry.hardware == hardware if hardware else entry.port == port


def find(port: str, hardware: str, among: Sequence[KnownPort]) -> KnownPort | None:
    """Return the entry that covers this port, or None.

    An entry for a USB device with a serial number covers that device wherever it is plugged in, and no other device
    that is plugged in at its path.
    """
    for entry in among:
        if entry.hardware and hardware:
            if entry.hardware == hardware:
                return entry
        elif not entry.hardware and entry.port == port:
            return entry
    return None


@contextlib.contextmanager
def _locked() -> Iterator[None]:
    folder = home()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        fd = os.open(folder / "ports.lock", os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
    except OSError as error:
        raise Trouble(f"{printable(str(folder))}: cannot be written ({error.strerror})") from None
    try:
        if sys.platform != "win32":
            import fcntl

            fcntl.flock(fd, fcntl.LOCK_EX)
        yield
    finally:
        os.close(fd)


def _write(entries: list[KnownPort]) -> None:
    import json

    path = _file()
    text = json.dumps({"form": _FORM, "ports": [entry._asdict() for entry in entries]}, indent=1) + "\n"
    write_whole(path, text.encode())
