"""The folder of a walk on disk: its journal while it runs, its report when it is over."""

from __future__ import annotations

import contextlib
import json
import os
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import IO, Any

from benchcon.errors import Trouble
from benchcon.files import cannot_be_written, write_whole
from benchcon.panel.model import Panel
from benchcon.text import printable
from benchcon.walk.identities import BoardIdentity, read_identity
from benchcon.walk.journal import FinishedStep, resume

JOURNAL, REPORT, JUNIT, PAGE = "journal.jsonl", "walk.json", "junit.xml", "walk.html"
FORM = 1
LARGEST = 256 << 20
"""Size in bytes of the largest file that is read."""


class Folder:
    """The folder into which a walk is written, by one program at a time."""

    def __init__(self, path: str | os.PathLike[str]) -> None:
        self.path = Path(path)
        self._journal: IO[bytes] | None = None
        self._boards_now: Callable[[], Sequence[BoardIdentity]] = tuple
        self._boards: dict[str, BoardIdentity] = {}
        """What the boards said of themselves as last written to the journal, by their names."""

    def report(self) -> dict[str, Any] | None:
        """Return the report in the folder, or None. Raises `Trouble` if it cannot be read."""
        return read_report(self.path) if (self.path / REPORT).exists() else None

    def unfinished(self, panel: Panel) -> list[FinishedStep]:
        """Return the finished groups of an interrupted walk; empty if there is nothing to continue.

        Raises `Trouble` if it was a walk of another panel file, or if the file is not a journal. An incomplete last
        line is ignored.
        """
        path = self.path / JOURNAL
        if not path.exists():
            return []
        raw = _slurp(path)
        rows = raw.split(b"\n")[:-1]  # the last line is empty, or incomplete
        lines = []
        for number, row in enumerate(rows, 1):
            try:
                line = json.loads(row)
            except (ValueError, RecursionError):
                line = None
            if not isinstance(line, dict):
                raise Trouble(f"{printable(str(path))}:{number}: is not a journal of a walk; remove it to start again")
            lines.append(line)
        if not lines or any("over" in line for line in lines):
            return []
        if lines[0].get("journal") != FORM:
            raise Trouble(f"{printable(str(path))}:1: is not a journal of a walk; remove it to start again")
        if lines[0].get("panel") != panel.digest:
            raise Trouble(
                f"{printable(str(self.path))} holds an unfinished walk of another panel file; "
                f"name another folder, or remove {JOURNAL} to start again"
            )
        try:
            return resume(lines)
        except Trouble as trouble:
            raise Trouble(f"{printable(str(path))}: {trouble}") from None

    def judged_on(self) -> dict[str, dict[str, BoardIdentity]]:
        """Return what the boards said of themselves when each group in the journal was done (not skipped).

        Empty if there is no journal that can be read.
        """
        return self._recorded()[0]

    def _recorded(self) -> tuple[dict[str, dict[str, BoardIdentity]], dict[str, BoardIdentity]]:
        """Return what `judged_on` returns, and what the boards said of themselves last."""
        judged_on: dict[str, dict[str, BoardIdentity]] = {}
        boards: dict[str, BoardIdentity] = {}
        with contextlib.suppress(Trouble):
            for row in _slurp(self.path / JOURNAL).split(b"\n")[:-1]:
                with contextlib.suppress(ValueError, RecursionError):
                    line = json.loads(row)
                    if not isinstance(line, dict):
                        continue
                    if isinstance(line.get("boards"), list):
                        boards = {each.name: each for each in map(read_identity, line["boards"]) if each is not None}
                    name = str(line.get("done", line.get("forget", "")))
                    judged_on.pop(name, None)
                    if "done" in line and line.get("how") == "done":
                        judged_on[name] = boards
        return judged_on, boards

    def open(
        self,
        panel: Panel,
        began: str,
        done: list[FinishedStep],
        boards_now: Callable[[], Sequence[BoardIdentity]] = tuple,
    ) -> str:
        """Begin a journal, or continue one. `done` are groups carried over from an earlier report.

        `boards_now` returns what the boards say of themselves; the journal has it before each group that is done.
        Returns when the walk began: `began`, or the beginning of the walk that is continued.
        """
        from benchcon.walk.journal import line_of

        self._boards_now = tuple
        judged_on, self._boards = self._recorded()
        try:
            self.path.mkdir(parents=True, exist_ok=True)
            going_on = self._is_going_on()
            if going_on:
                _cut_torn(self.path / JOURNAL)
                self._journal = open(self.path / JOURNAL, "ab", opener=_no_link)  # noqa: SIM115
                self._boards_now = boards_now
                return self.began or began
            self._journal = open(self.path / JOURNAL, "wb", opener=_no_link)  # noqa: SIM115
        except OSError as error:
            raise self._cannot(error) from None
        self._write({"journal": FORM, "panel": panel.digest, "began": began})
        self._boards = {}
        for each in done:
            if each.how == "done":
                self._write_boards(judged_on.get(each.group.name, {}))
            self._write(line_of(each))
        self._boards_now = boards_now
        return began

    @property
    def began(self) -> str:
        """When the walk in the journal began: local wall time, ISO 8601; empty if that is not known."""
        try:
            return str(json.loads(_slurp(self.path / JOURNAL).split(b"\n", 1)[0])["began"])
        except (Trouble, ValueError, KeyError, TypeError, RecursionError):
            return ""

    def _is_going_on(self) -> bool:
        path = self.path / JOURNAL
        if not path.exists():
            return False
        raw = _slurp(path)
        return b"\n" in raw and b'"over":true' not in raw

    def write(self, line: Mapping[str, Any]) -> None:
        """Write one line, which is on disk when this returns. Raises `Trouble`, and then leaves no incomplete line."""
        if "done" in line:  # a board that is not linked at this moment is what it was
            self._write_boards(self._boards | {each.name: each for each in self._boards_now()})
        self._write(line)

    def _write_boards(self, boards: Mapping[str, BoardIdentity]) -> None:
        if boards != self._boards:
            self._write({"boards": [each.as_json() for each in boards.values()]})
            self._boards = dict(boards)

    def _write(self, line: Mapping[str, Any]) -> None:
        assert self._journal is not None
        raw = json.dumps(line, ensure_ascii=True, separators=(",", ":")).encode() + b"\n"
        at = self._journal.tell()
        try:
            self._journal.write(raw)
            self._journal.flush()
            os.fsync(self._journal.fileno())
        except OSError as error:
            with contextlib.suppress(OSError):
                os.ftruncate(self._journal.fileno(), at)
            raise self._cannot(error) from None

    def finish(self, report: Mapping[str, Any], panel: Panel, changed: list[str] | None) -> None:
        """Write the report's three files, each whole or not at all, and end the journal.

        `changed` are the changes since an earlier report, None if there was none. Raises `Trouble` if the files cannot
        be written.
        """
        from benchcon.report.walk_junit import junit
        from benchcon.report.walk_page import page

        text = json.dumps(report, ensure_ascii=False, indent=1) + "\n"
        # First the JSON file, from which the others can be made again.
        write_whole(self.path / REPORT, text.encode(), links=False)
        write_whole(self.path / JUNIT, junit(report), links=False)
        write_whole(self.path / PAGE, page(report, panel, changed).encode(), links=False)
        self.write({"over": True})
        self.close()

    def close(self) -> None:
        """Close the journal; a walk that is not over can be continued from it."""
        if self._journal is not None:
            with contextlib.suppress(OSError):
                self._journal.close()
            self._journal = None

    def _cannot(self, error: OSError) -> Trouble:
        return cannot_be_written(self.path, error)


def _no_link(path: str, flags: int) -> int:
    """Open `path` unless it is a symbolic link, through which others could make us write elsewhere."""
    return os.open(path, flags | getattr(os, "O_NOFOLLOW", 0), 0o666)


def read_report(folder: str | os.PathLike[str]) -> dict[str, Any]:
    """Return the report in `folder`. Raises `Trouble` if there is none, or if it cannot be read."""
    from benchcon.report.walk import FORM as REPORT_FORM

    path = Path(folder) / REPORT
    shown = printable(str(path))
    try:
        report = json.loads(_slurp(path))
    except (ValueError, RecursionError):
        raise Trouble(f"{shown}: is not a report of a walk") from None
    if not isinstance(report, dict) or report.get("walk") != REPORT_FORM:
        raise Trouble(f"{shown}: is not a report of a walk that this version reads")
    for key in ("parts", "findings", "evidence"):
        rows = report.get(key)
        if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
            raise Trouble(f"{shown}: is not a complete report of a walk: '{key}' is not a list of tables")
    for part in report["parts"]:
        if not isinstance(part.get("name"), str) or not isinstance(part.get("figures", {}), dict):
            raise Trouble(
                f"{shown}: is not a complete report of a walk: a part's 'name' or 'figures' is of another kind"
            )
    for row in report["findings"]:
        names = row.get("parts", [])
        if not isinstance(names, list) or not all(isinstance(name, str) for name in names):
            raise Trouble(f"{shown}: is not a complete report of a walk: a finding's 'parts' is not a list of names")
    return report


def _slurp(path: Path) -> bytes:
    try:
        with open(path, "rb") as file:
            raw = file.read(LARGEST + 1)
    except OSError as error:
        raise Trouble(f"{printable(str(path))}: cannot be read: {printable(error.strerror or str(error))}") from None
    if len(raw) > LARGEST:
        raise Trouble(f"{printable(str(path))}: is larger than {LARGEST} bytes: that is not a walk")
    return raw


def _cut_torn(path: Path) -> None:
    """Remove what follows the last line end: a line that was not finished when the walk was killed."""
    raw = _slurp(path)
    whole = raw.rfind(b"\n") + 1
    if whole != len(raw):
        os.truncate(path, whole)
