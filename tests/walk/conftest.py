"""Three simulated desks with a bench on them, shared by the tests of the walk; each finds them healthy."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from walk.desks import Desks


@pytest.fixture(scope="session")
def _shared(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Desks]:
    with pytest.MonkeyPatch.context() as patch:
        home = tmp_path_factory.mktemp("home")
        patch.setenv("BENCHCON_HOME", str(home))
        patch.setenv("BENCHCON_LOCKS", str(home))
        desks = Desks()
    yield desks
    desks.close()


@pytest.fixture
def desks(_shared: Desks) -> Iterator[Desks]:
    """Healthy, every control at rest, nothing dark; faults and positions of one test are gone in the next."""
    yield _shared
    _shared.at_rest()
