"""What every test has: folders of its own for what benchcon keeps between runs, never those of the user who runs it."""

from __future__ import annotations

import gc
import itertools
import os
import shutil
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import hypothesis
import pytest

# Speed is measured by the scripts in tests/bench/; a slow moment of the machine is no failure of a property.
hypothesis.settings.register_profile("benchcon", deadline=None)
hypothesis.settings.load_profile("benchcon")

# Containers often ask for no bytecode. Without it each of four test processes, and each of the hundreds of programs
# that tests start, would compile everything again: half of the time that it takes to find the tests.
sys.dont_write_bytecode = False
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)

# Tests leave little garbage in circles; to look for it after each 700 new objects took a twentieth of their time.
gc.set_threshold(50_000, 10, 10)

WORKER = os.environ.get("PYTEST_XDIST_WORKER", "")
TESTS = Path(__file__).parent
NUMBERS = itertools.count()


def pytest_configure(config: pytest.Config) -> None:
    """Give each of several test processes a temporary folder of its own: simulated boards that run are found there.

    What they compile is in one folder for all of them.
    """
    if not WORKER:
        builds = os.environ["BENCHCON_TEST_BUILDS"] = tempfile.mkdtemp(prefix="bc-built-")
        config.add_cleanup(lambda: shutil.rmtree(builds, ignore_errors=True))
    else:
        own = tempfile.mkdtemp(prefix="bc-")  # short: paths of sockets have little room
        os.environ["TMPDIR"] = tempfile.tempdir = own
        config.add_cleanup(lambda: shutil.rmtree(own, ignore_errors=True))
        if config.args == config.getini("testpaths"):
            config.args = _from_another_end(config.args)


def _from_another_end(args: list[str]) -> list[str]:
    """Each process begins to look for tests elsewhere: what one has compiled, the others find ready."""
    rooms = [str(room) for room in sorted(TESTS.iterdir()) if any(room.glob("test_*.py"))]
    every = [*rooms, *(arg for arg in args if Path(arg).resolve() != TESTS)]
    count = int(os.environ["PYTEST_XDIST_WORKER_COUNT"])
    first = len(every) * int(WORKER.removeprefix("gw")) // count
    return every[first:] + every[:first]


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put the tests into one order, the same in each process, wherever it began to look."""
    items.sort(key=lambda item: str(item.path))


def pytest_collection_finish() -> None:
    """What was loaded up to now stays: the collector of garbage need not look through it after each test."""
    gc.freeze()


def pytest_sessionfinish() -> None:
    """The process ends: its memory goes as a whole, and five searches of it for garbage would take seconds."""
    gc.freeze()


@pytest.fixture(scope="session")
def folders(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where each test has its folders, by number: to find a free one, pytest would look through all that there are."""
    return tmp_path_factory.mktemp("t", numbered=False)


@pytest.fixture
def tmp_path(folders: Path) -> Path:
    """A folder for this test; what is in it stays until all tests are over."""
    path = folders / str(next(NUMBERS))
    path.mkdir()
    return path


@pytest.fixture(autouse=True)
def named_home(folders: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The folder of remembered ports and the like for this test, and for every process that it starts.

    It is made by whoever writes into it first: few tests do, and thousands of folders take seconds to remove.
    """
    home = folders / f"h{next(NUMBERS)}"
    monkeypatch.setenv("BENCHCON_HOME", str(home))
    return home


@pytest.fixture
def own_home(named_home: Path) -> Path:
    """The folder of `named_home`, for a test that writes into it."""
    named_home.mkdir()
    return named_home


@pytest.fixture
def own_locks(own_home: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The folder of `own_home`, with the locks of ports in it too: those of other tests are not in the way."""
    monkeypatch.setenv("BENCHCON_LOCKS", str(own_home))
    return own_home


@pytest.fixture(autouse=True)
def nothing_left_here() -> Iterator[None]:
    """A test works in a folder of its own: none leaves a file in that from which the tests are started."""
    here = Path.cwd()
    before = set(os.listdir(here))
    yield
    left = [name for name in sorted(set(os.listdir(here)) - before) if not name.startswith((".", "__pycache__"))]
    assert not left, f"left in {here} by this test, or by one beside it: {left}"
