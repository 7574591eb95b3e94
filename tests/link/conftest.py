"""Boards and benches that are always closed."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from link.boards import PeerProcess, Watched


@pytest.fixture(autouse=True)
def own_places(own_locks: Path) -> None:
    """Every test of this folder has its own locks."""


@pytest.fixture
def board() -> Iterator[Callable[..., PeerProcess]]:
    """Start boards."""
    peers: list[PeerProcess] = []

    def start(**options: Any) -> PeerProcess:
        peers.append(PeerProcess(**options))
        return peers[-1]

    yield start
    for peer in peers:
        peer.close()


@pytest.fixture
def bench() -> Iterator[Callable[..., Watched]]:
    """Start benches."""
    watched: list[Watched] = []

    def start(*ports: str, **options: Any) -> Watched:
        watched.append(Watched(*ports, **options))
        return watched[-1]

    yield start
    for each in watched:
        each.bench.close()
