"""Cases of tests of which a part is run each time."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import pytest


def few_of(cases: int | Iterable[Any]) -> list[Any]:
    """Every third of the cases each time (of a number: of so many seeds), the others where there is time for what is
    slow. Each of `cases` is the value of one parameter, or what `pytest.param` has made.
    """
    each = range(cases) if isinstance(cases, int) else cases
    return [case if number % 3 == 0 else _slow(case) for number, case in enumerate(each)]


def _slow(case: Any) -> Any:
    if isinstance(case, type(pytest.param())):
        return pytest.param(*case.values, marks=[*case.marks, pytest.mark.slow], id=case.id)
    return pytest.param(case, marks=pytest.mark.slow)
