"""What ails a link, in a world that knows nothing of how verdicts are come by: C core, host side, bytes on a line."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from firmware.virtual import Board, needs_compiler
from timing.core_links import AILMENTS, first_named, two_boards

pytestmark = [needs_compiler, pytest.mark.slow]
SHARED = ("host", "hub")


@pytest.fixture(scope="module")
def boards() -> Iterator[tuple[Board, Board]]:
    with two_boards() as both:
        yield both


@pytest.mark.parametrize("ailment", AILMENTS)
def test_an_ailment_is_named_first_and_the_neighbour_left_alone(ailment: str, boards: tuple[Board, Board]) -> None:
    first, other = first_named(ailment, 1, boards)
    assert first == ailment
    assert other in ("", ailment if ailment in SHARED else "")


def test_healthy_links_are_not_accused(boards: tuple[Board, Board]) -> None:
    assert {first_named("", seed, boards) for seed in range(3)} == {("", "")}
