"""The pytest plugin: collects captures, and runs each against what its header or the TOML file beside it names.

It is loaded by every pytest run here, so it imports nothing but pytest until there is a capture to run.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from benchcon.replay.cases import Case
    from benchcon.replay.verdict import Verdict

_ENDINGS = (".capture", ".capture.gz")
_MAGIC = b"benchcon capture "


def pytest_collect_file(file_path: Path, parent: pytest.Collector) -> CaptureFile | None:
    """Collect ``*.capture``, packed ones, and any file that has a TOML file of its name beside it.

    What has the name and cannot be read is a failure, not a file to pass over: a test that is not run proves nothing.
    """
    if file_path.name.endswith(_ENDINGS):
        return CaptureFile.from_parent(parent, path=file_path)
    # Any other file is looked at only if it has settings: `session.txt` with `session.txt.toml`.
    if (
        file_path.suffix != ".toml"
        and file_path.with_name(file_path.name + ".toml").is_file()
        and _is_capture(file_path)
    ):
        return CaptureFile.from_parent(parent, path=file_path)
    return None


def _is_capture(path: Path) -> bool:
    """Whether a file begins as ours do."""
    import zlib

    try:
        with path.open("rb") as file:
            head = file.read(len(_MAGIC))
            if head[:2] != b"\x1f\x8b":
                return head == _MAGIC
        import gzip

        with gzip.open(path) as packed:
            return packed.read(len(_MAGIC)) == _MAGIC
    except (OSError, EOFError, zlib.error):
        return False


class CaptureFile(pytest.File):
    """One capture: a group of tests for each thing that it is run against."""

    def collect(self) -> Iterator[CaptureRun]:
        """One group for each target."""
        from benchcon.errors import Trouble
        from benchcon.replay.cases import case_of

        try:
            case = case_of(self.path)
        except Trouble as trouble:
            raise self.CollectError(str(trouble)) from None
        for target in case.against:
            yield CaptureRun.from_parent(self, name=target, case=case)


class CaptureRun(pytest.Collector):
    """A capture against one thing: a test for each channel. It is run once, when the first of them is."""

    def __init__(self, *, case: Case, **rest: Any) -> None:
        super().__init__(**rest)
        self.case = case
        self._verdict: Verdict | None = None
        self._failed: BaseException | None = None

    def collect(self) -> Iterator[ChannelTest]:
        """One test for the run as a whole, one for each channel."""
        from benchcon.errors import Trouble
        from benchcon.replay.channels import channels_of

        try:
            names = channels_of(self.case, self.name)
        except Trouble as trouble:
            raise self.CollectError(str(trouble)) from None
        for name in names:
            yield ChannelTest.from_parent(self, name=name)

    def verdict(self) -> Verdict:
        """Run it, or return what came of it when it was run."""
        from benchcon.replay.verdict import run_against

        if self._failed is not None:
            raise self._failed
        if self._verdict is None:
            try:
                self._verdict = run_against(self.case, self.name)
            except BaseException as error:
                self._failed = error
                raise
        return self._verdict


class Otherwise(Exception):
    """A channel did something else than the capture says."""


class ChannelTest(pytest.Item):
    """Whether one channel did what the capture says."""

    parent: CaptureRun

    def runtest(self) -> None:
        """Fail with the first difference in its context."""
        from benchcon.replay.targets import NotHere
        from benchcon.replay.verdict import WHOLE

        try:
            verdict = self.parent.verdict()
        except NotHere as why:
            pytest.skip(str(why))
        if self.name == WHOLE:
            for remark in verdict.remarks:
                self.add_report_section("call", "left out", remark)
        elif self.name not in verdict.channels:
            raise Otherwise(f"{self.name}: nothing was compared: it was left out, see the remarks of {WHOLE}")
        # Channels that only the run has, and so were not collected, are told with the whole.
        others = [name for name in verdict.channels if name not in self._names()] if self.name == WHOLE else []
        texts = [text for name in (self.name, *others) if (text := _named(name, self.name, verdict.channels[name]))]
        if texts:
            raise Otherwise("\n".join(texts))

    def _names(self) -> set[str]:
        return {item.name for item in self.session.items if item.parent is self.parent}

    def repr_failure(self, excinfo: pytest.ExceptionInfo[BaseException], style: Any = None) -> str:
        """One line for what could not be done; a difference as a good assertion shows it."""
        from benchcon.errors import Trouble

        error = excinfo.value
        if isinstance(error, Otherwise):
            head = f"{self.parent.case.path.name} against {self.parent.name}: {self.name} is otherwise than captured"
            return "\n".join([head, "", *(f"E   {line}" for line in str(error).splitlines())])
        if isinstance(error, Trouble):
            return f"E   {error}"
        return str(super().repr_failure(excinfo, style))

    def reportinfo(self) -> tuple[Path, int | None, str]:
        """Where it comes from, for pytest's reports."""
        return self.path, None, f"{self.path.name} against {self.parent.name}: {self.name}"


def _named(name: str, own: str, text: str) -> str:
    return text if name == own or not text else f"{name}: {text}"
