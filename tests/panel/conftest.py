from __future__ import annotations

from pathlib import Path

import pytest

import benchcon.demo
from benchcon.panel.file import load
from benchcon.panel.model import Panel


@pytest.fixture(scope="session")
def ostrey_path() -> Path:
    return Path(benchcon.demo.__file__).with_name("ostrey.toml")


@pytest.fixture(scope="session")
def ostrey(ostrey_path: Path) -> Panel:
    return load(ostrey_path)
