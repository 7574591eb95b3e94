"""What a capture is run against as a test, and how: its header says so, or a TOML file beside it.

``night.capture.toml`` belongs to ``night.capture``. A capture with another suffix is a test only if it has such a file.
See `protocols/capture-file.md`, section 11.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

from benchcon.errors import Trouble
from benchcon.panel.file import file_beside, open_table, slurp
from benchcon.panel.reader import TomlTable, shown
from benchcon.replay.compare import COUNTS
from benchcon.replay.rerun import TOLERANCE_US, RerunOptions
from benchcon.replay.targets import TARGETS
from benchcon.state_reader import StateReader
from benchcon.text import printable

LARGEST = 1 << 16
NEVER_ALONE = "state"
"""What a capture is run against if it does not say."""


@dataclass(frozen=True, slots=True)
class CaptureCase:
    """One capture as a test."""

    path: Path
    against: tuple[str, ...]
    """The names of its targets, from `TARGETS`."""
    how: RerunOptions
    panel: Path | None = None
    """Panel file of the boards that it is run against; None: the panel that the capture carries."""
    faults: Path | None = None
    """Faults file of the simulated boards; None: no faults."""


def settings_of(path: Path) -> Path:
    """Return the path of a capture's TOML file, which need not exist."""
    return path.with_name(path.name + ".toml")


def case_of(path: str | os.PathLike[str]) -> CaptureCase:
    """Return what the header and the TOML file of a capture say. Raises `Trouble`, with the line, if that is wrong."""
    found = Path(path)
    with StateReader(found) as reader:
        named = tuple(word for word in reader.words.get("against", "").split(",") if word)
    for name in named:
        if name not in TARGETS:
            raise Trouble(
                f"{printable(str(found))}: line 1: against '{printable(name)}'; known are {', '.join(TARGETS)}"
            )
    case = CaptureCase(found, named or (NEVER_ALONE,), RerunOptions())
    toml = settings_of(found)
    return _with_settings(case, toml) if toml.is_file() else case


def _with_settings(case: CaptureCase, toml: Path) -> CaptureCase:
    table, findings = open_table(slurp(toml, LARGEST), str(toml), "settings file of a capture")
    if table is None:
        raise Trouble(str(findings[0]))
    against = _names(table, "against", tuple(TARGETS), case.against)
    ignore = tuple(table.texts("ignore", longest=40, most=200) or ())
    tolerance_ms = table.quantity("tolerance", "ms", TOLERANCE_US / 1000, 1, 60_000, 'from "1 ms" to "1 min"')
    counts = table.whole("counts", COUNTS, 0, 65535)
    fast = table.flag("fast", False)
    # A capture from a stranger must not have files read, and their text shown, that did not come with it.
    panel, faults = (file_beside(table, key, str(toml), strange=True) for key in ("panel", "faults"))
    table.done()
    for finding in table.source.findings:
        raise Trouble(str(finding))
    how = RerunOptions(fast=fast, tolerance_us=int(tolerance_ms * 1000), counts=counts, ignore=ignore)
    return CaptureCase(case.path, against, how, panel, faults)


def _names(table: TomlTable, key: str, allowed: tuple[str, ...], default: tuple[str, ...]) -> tuple[str, ...]:
    value = table.get(key)
    if value is None:
        return default
    names = [value] if isinstance(value, str) else value
    if not isinstance(names, list) or not names or not all(name in allowed for name in names):
        table.say(key, f"is {shown(value)}; a list of these is allowed: {', '.join(allowed)}")
        return default
    return tuple(dict.fromkeys(names))
