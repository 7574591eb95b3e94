"""Quantities that people write each day are worked out without pint: the same as pint would."""

from __future__ import annotations

import pytest

from benchcon.units import EVERYDAY, quantity, registry


@pytest.mark.parametrize(
    ("unit", "written", "factor"),
    [(unit, written, factor) for unit, row in EVERYDAY.items() for written, factor in row.items()],
)
def test_each_factor_is_the_registrys(unit: str, written: str, factor: float) -> None:
    # Source: pint's registry of units.
    name = {"%": "percent"}.get(written, written)
    assert registry().Quantity(1, name).to(unit).magnitude == pytest.approx(factor, rel=1e-12)
    assert quantity(f"2.5 {written}", unit) == pytest.approx(2.5 * factor, rel=1e-12)
