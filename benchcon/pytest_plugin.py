"""The pytest plugin: collects captures and scenarios as tests.

A capture is run against what its header, or the TOML file beside it, names; a scenario on simulated boards. Every
pytest run where benchcon is installed loads the plugin, so it imports nothing but pytest until there is something to
run.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from benchcon.rehearse.scenario import Scenario
    from benchcon.replay.cases import CaptureCase
    from benchcon.replay.verdict import Verdict

_SCENARIO = re.compile(rb"(?m)^[ \t]*\[[ \t]*scenario[ \t]*\]")


def pytest_collect_file(file_path: Path, parent: pytest.Collector) -> CaptureFile | ScenarioFile | None:
    """Collect captures (``*.capture``, packed or not, and files with settings beside them) and scenarios.

    A file that has such a name and cannot be read fails: it is not skipped, as a test that is not run proves nothing.
    """
    from benchcon.capture.form import ENDINGS

    if file_path.name.endswith(ENDINGS):
        return CaptureFile.from_parent(parent, path=file_path)
    # A file with another name is looked at only if it has settings: `session.txt` with `session.txt.toml`.
    if (
        file_path.suffix != ".toml"
        and file_path.with_name(file_path.name + ".toml").is_file()
        and _is_capture(file_path)
    ):
        return CaptureFile.from_parent(parent, path=file_path)
    if file_path.suffix == ".toml" and _is_scenario(file_path):
        return ScenarioFile.from_parent(parent, path=file_path)
    return None


def _harmless(text: str) -> str:
    """Return `text` made printable line by line, for a terminal."""
    from benchcon.errors import Trouble

    return str(Trouble(text))


def _is_scenario(path: Path) -> bool:
    """Return whether a TOML file has a table ``[scenario]`` near its beginning."""
    try:
        with path.open("rb") as file:
            return _SCENARIO.search(file.read(1 << 14)) is not None
    except OSError:
        return False


def _is_capture(path: Path) -> bool:
    """Return whether a file begins like a capture."""
    import zlib

    from benchcon.capture.form import MAGIC, PACKED_MAGIC

    begins = f"{MAGIC} ".encode()
    try:
        with path.open("rb") as file:
            head = file.read(len(begins))
            if not head.startswith(PACKED_MAGIC):
                return head == begins
        import gzip

        with gzip.open(path) as packed:
            return packed.read(len(begins)) == begins
    except (OSError, EOFError, zlib.error):
        return False


class CaptureFile(pytest.File):
    """One capture: a group of tests for each target that it is run against."""

    def collect(self) -> Iterator[CaptureRun]:
        """Yield one group for each target."""
        from benchcon.errors import Trouble
        from benchcon.replay.cases import case_of

        try:
            case = case_of(self.path)
        except Trouble as trouble:
            raise self.CollectError(str(trouble)) from None
        for target in case.against:
            yield CaptureRun.from_parent(self, name=target, case=case)


class CaptureRun(pytest.Collector):
    """A capture against one target: a test for each channel. The first test that runs replays it, once for all."""

    def __init__(self, *, case: CaptureCase, **rest: Any) -> None:
        super().__init__(**rest)
        self.case = case
        self._verdict: Verdict | None = None
        self._failed: BaseException | None = None

    def collect(self) -> Iterator[ChannelTest]:
        """Yield one test for the run as a whole, and one for each channel."""
        from benchcon.errors import Trouble
        from benchcon.replay.channels import channels_of

        try:
            names = channels_of(self.case, self.name)
        except Trouble as trouble:
            raise self.CollectError(str(trouble)) from None
        for name in names:
            yield ChannelTest.from_parent(self, name=name)

    def verdict(self) -> Verdict:
        """Run the capture, or return the verdict of the earlier run."""
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


class CaptureDiffers(Exception):
    """A channel did not do what the capture says."""


class ChannelTest(pytest.Item):
    """The test that one channel does what the capture says."""

    parent: CaptureRun

    def runtest(self) -> None:
        """Fail with the first difference and its context."""
        from benchcon.replay.targets import NotHere
        from benchcon.replay.verdict import WHOLE

        try:
            verdict = self.parent.verdict()
        except NotHere as why:
            pytest.skip(str(why))
        if self.name == WHOLE:
            for remark in verdict.remarks:
                self.add_report_section("call", "left out", _harmless(remark))
        elif self.name not in verdict.channels:
            raise CaptureDiffers(
                f"{self.name}: nothing was compared, because it was skipped: see the remarks of {WHOLE}"
            )
        # Channels that only the run has were not collected, so they are reported with the run as a whole.
        others = [name for name in verdict.channels if name not in self._names()] if self.name == WHOLE else []
        texts = [text for name in (self.name, *others) if (text := _named(name, self.name, verdict.channels[name]))]
        if texts:
            raise CaptureDiffers("\n".join(texts))
        if self.name in verdict.untested:
            pytest.skip(verdict.untested[self.name])

    def _names(self) -> set[str]:
        return {item.name for item in self.session.items if item.parent is self.parent}

    def repr_failure(self, excinfo: pytest.ExceptionInfo[BaseException], style: Any = None) -> str:
        """Return one line for a `Trouble`, and a difference with its context."""
        from benchcon.errors import Trouble

        error = excinfo.value
        if isinstance(error, CaptureDiffers):
            head = f"{self.parent.case.path.name} against {self.parent.name}: {self.name} differs from the capture"
            return "\n".join([head, "", *(f"E   {line}" for line in _harmless(str(error)).splitlines())])
        if isinstance(error, Trouble):
            return f"E   {error}"
        return str(super().repr_failure(excinfo, style))

    def reportinfo(self) -> tuple[Path, int | None, str]:
        """Return file, line and name for pytest's reports."""
        return self.path, None, f"{self.path.name} against {self.parent.name}: {self.name}"


def _named(name: str, own: str, text: str) -> str:
    return text if name == own or not text else f"{name}: {text}"


class ScenarioFile(pytest.File):
    """One scenario, played once on simulated boards: a test for its rules and one for each expectation."""

    def __init__(self, **rest: Any) -> None:
        super().__init__(**rest)
        self.scenario: Scenario | None = None
        self._texts: dict[str, str] | None = None
        self._failed: BaseException | None = None
        self.never: set[str] = set()

    def collect(self) -> Iterator[ExpectationTest]:
        """Yield one test for the rules, and one for each expectation."""
        from benchcon.errors import Trouble
        from benchcon.rehearse.result import names
        from benchcon.rehearse.scenario import load

        try:
            self.scenario = load(self.path)
        except Trouble as trouble:
            raise self.CollectError(str(trouble)) from None
        for name in names(self.scenario.checks):
            yield ExpectationTest.from_parent(self, name=name)

    def texts(self) -> dict[str, str]:
        """Play the scenario once; return for each test that failed what went wrong."""
        from benchcon.rehearse.play import play
        from benchcon.rehearse.result import names, texts

        if self._failed is not None:
            raise self._failed
        if self._texts is None:
            try:
                result = play(self.path)
            except BaseException as error:
                self._failed = error
                raise
            self._texts = texts(result)
            never = set(result.never)
            tested = zip(names(result.expectations)[1:], result.expectations, strict=True)
            self.never = {name for name, expectation in tested if expectation in never}
        return self._texts


class ExpectationTest(pytest.Item):
    """The test that one expectation is met."""

    parent: ScenarioFile

    def runtest(self) -> None:
        """Fail with what was shown instead, and the values at that moment."""
        text = self.parent.texts()[self.name]
        if text:
            raise CaptureDiffers(text)
        if self.name in self.parent.never:
            # Nothing was tested, so it has neither passed nor failed. The command reports it as never due as well.
            pytest.skip("never due: nothing in the scenario brings about what it waits for, so it was not tested")

    def repr_failure(self, excinfo: pytest.ExceptionInfo[BaseException], style: Any = None) -> str:
        """Return a broken expectation as the command reports it, and one line for a `Trouble`."""
        from benchcon.errors import Trouble

        error = excinfo.value
        if isinstance(error, CaptureDiffers):
            hint = f"'benchcon rehearse {self.path.name}' leaves a capture of it"
            return "\n".join([*(f"E   {line}" for line in _harmless(str(error)).splitlines()), hint])
        if isinstance(error, Trouble):
            return f"E   {error}"
        return str(super().repr_failure(excinfo, style))

    def reportinfo(self) -> tuple[Path, int | None, str]:
        """Return file, line and name for pytest's reports."""
        return self.path, None, f"{self.path.name}: {self.name}"
