"""What every test has: folders of its own for what benchcon keeps between runs, never those of the user who runs it."""

from __future__ import annotations

from pathlib import Path

import pytest


@pytest.fixture(autouse=True)
def own_home(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The folder of remembered ports and the like for this test, and for every process that it starts."""
    home = tmp_path_factory.mktemp("home")
    monkeypatch.setenv("BENCHCON_HOME", str(home))
    return home
