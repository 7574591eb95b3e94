"""What is wrong with a link, in a world that knows nothing of how verdicts are reached: core, host side, bytes."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from firmware.virtual import Board, needs_compiler
from timing.core_links import TROUBLES, first_named, two_boards

pytestmark = [needs_compiler, pytest.mark.slow]
SHARED = ("host", "hub")


@pytest.fixture(scope="module")
def boards() -> Iterator[tuple[Board, Board]]:
    with two_boards() as both:
        yield both


@pytest.mark.parametrize("trouble", TROUBLES)
def test_a_trouble_is_named_first_and_the_neighbour_left_alone(trouble: str, boards: tuple[Board, Board]) -> None:
    first, other = first_named(trouble, 1, boards)
    assert first == trouble
    assert other in ("", trouble if trouble in SHARED else "")


def test_healthy_links_are_not_accused(boards: tuple[Board, Board]) -> None:
    assert {first_named("", seed, boards) for seed in range(3)} == {("", "")}
