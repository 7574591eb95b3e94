"""Quantities that people write each day are worked out without pint: the same as pint would."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

import benchcon.demo
from benchcon.cli.main import main
from benchcon.units import EVERYDAY, PLAIN, for_people, linear, quantity, registry


@pytest.mark.parametrize(
    ("unit", "written", "factor"),
    [(unit, written, factor) for unit, row in EVERYDAY.items() for written, factor in row.items()],
)
def test_each_factor_is_the_registrys(unit: str, written: str, factor: float) -> None:
    # Source: pint's registry of units.
    name = {"%": "percent"}.get(written, written)
    assert registry().Quantity(1, name).to(unit).magnitude == pytest.approx(factor, rel=1e-12)
    assert quantity(f"2.5 {written}", unit) == pytest.approx(2.5 * factor, rel=1e-12)
    assert linear(written, unit) == (pytest.approx(factor, rel=1e-11), 0)
    assert linear(unit, written) == (pytest.approx(1 / factor, rel=1e-11), 0)


@pytest.mark.parametrize("unit", sorted(PLAIN))
def test_each_plain_unit_is_the_registrys(unit: str) -> None:
    # Source: pint's registry of units.
    assert registry().Unit({"%": "percent"}.get(unit, unit))
    assert quantity(f"2.5 {unit}", unit) == 2.5


def test_what_the_demo_rehearses_is_worked_out_without_pint() -> None:
    """Its import takes a third of a second, which a rule that converts must not take in the middle of a rehearsal."""
    demo = Path(benchcon.demo.__file__).parent
    code = f"import sys; from benchcon.cli.main import main; main({['rehearse', str(demo / 'ostrey-scenario.toml')]!r})"
    run = subprocess.run(
        [sys.executable, "-c", f"{code}; sys.exit('pint' in sys.modules)"], capture_output=True, text=True, timeout=60
    )
    assert (run.returncode, run.stderr) == (0, "")


@pytest.mark.parametrize(
    ("text", "unit", "told"),
    [
        ("8,5 mA", "mA", 'write "8.5 mA"'),
        ("8,5mA", "mA", 'write "8.5 mA"'),
        ("0,25", "mA", 'write "0.25 mA"'),
        ("1,500 mm", "mm", 'write "1.500 mm" or "1500 mm"'),
    ],
)
def test_a_comma_in_a_number_is_told_with_what_was_meant(text: str, unit: str, told: str) -> None:
    with pytest.raises(ValueError, match="has a comma in its number") as found:
        quantity(text, unit)
    assert str(found.value).endswith(told)


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (10_000_000, "us", "10 s"),
        (1_500_000, "us", "1.5 s"),
        (3_600_000_000, "us", "1 h"),
        (50, "us", "50 us"),
        (0, "us", "0 s"),
        (300, "permille", "30 %"),
        (4300, "mV", "4.3 V"),
        (-5000, "ppm", "-5000 ppm"),
    ],
)
def test_limits_are_told_in_a_unit_that_people_take(value: float, unit: str, text: str) -> None:
    assert for_people(value, unit) == text
    assert quantity(text, unit) == pytest.approx(value)


CAPTURE = str(Path(__file__).parents[2] / "captures" / "ostrey-session.capture")


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["replay", CAPTURE, "--headless", "--at", "2"], 'such as "2 s"'),
        (["replay", CAPTURE, "--headless", "--at", "soon"], 'such as "2 s"'),
        (["replay", CAPTURE, "--headless", "--at", "2000 s"], "is not in this capture; it goes from 0.000 s to 14."),
        (["replay", CAPTURE, "--tolerance", "150", "--to", "none"], 'such as "150 ms"'),
        (["record", "-o", "none", "--rotate-time", "60", "none"], 'such as "60 min"'),
        (["record", "-o", "none", "--rotate-size", "100", "none"], 'such as "100 MB"'),
    ],
)
def test_examples_fit_the_place(words: list[str], told: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(words) == 2
    assert told in capsys.readouterr().err


@pytest.mark.parametrize(
    ("line", "told"),
    [("after = 15", 'such as "15 s"'), ('lasting = "20 s"', 'must be from 0 s to 10 s, not "20 s"')],
)
def test_a_faults_file_is_answered_in_units_of_people(
    line: str, told: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    faults = tmp_path / "faults.toml"
    faults.write_text(f'[[faults]]\nkind = "chattering"\nchannel = "lighting.sw_app"\n{line}\n')
    assert main(["check", str(faults)]) == 1
    assert told in capsys.readouterr().out


@pytest.mark.parametrize("text", ["1e400 kt", "1e400", "1234567890123456 kt"])
def test_a_number_beyond_all_bounds_is_said_and_not_taken_apart(text: str) -> None:
    with pytest.raises(ValueError, match="too long or too great"):
        quantity(text, "kt")


@pytest.mark.parametrize(
    ("text", "unit", "told"),
    [
        ("5 m", "permille", "is a length; a plain share is needed"),
        ("5 %", "mm", "is a plain share; a length is needed"),
        ("50 MB", "mm", "is an amount of data; a length is needed"),
        ("5 m", "B", "is a length; an amount of data is needed"),
    ],
)
def test_what_a_wrong_quantity_is_of(text: str, unit: str, told: str) -> None:
    with pytest.raises(ValueError, match=told):
        quantity(text, unit)
