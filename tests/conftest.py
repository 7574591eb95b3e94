"""What every test has: folders of its own for what benchcon keeps between runs, never those of the user who runs it."""

from __future__ import annotations

import os
import shutil
import tempfile
from pathlib import Path

import hypothesis
import pytest

# Speed is measured by the scripts in tests/bench/; a slow moment of the machine is no failure of a property.
hypothesis.settings.register_profile("benchcon", deadline=None)
hypothesis.settings.load_profile("benchcon")


def pytest_configure(config: pytest.Config) -> None:
    """Give each of several test processes a temporary folder of its own: simulated boards that run are found there."""
    if "PYTEST_XDIST_WORKER" in os.environ:
        own = tempfile.mkdtemp(prefix="bc-")  # short: paths of sockets have little room
        os.environ["TMPDIR"] = tempfile.tempdir = own
        config.add_cleanup(lambda: shutil.rmtree(own, ignore_errors=True))


@pytest.fixture(autouse=True)
def own_home(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The folder of remembered ports and the like for this test, and for every process that it starts."""
    home = tmp_path_factory.mktemp("home")
    monkeypatch.setenv("BENCHCON_HOME", str(home))
    return home
