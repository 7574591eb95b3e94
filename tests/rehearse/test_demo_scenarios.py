"""The demo's scenarios are kept by its rules, and broken by rules that are wrong: they do test something."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from benchcon import demo
from benchcon.rehearse.play import play

DEMO = Path(demo.__file__).parent
LEVEL, MODES = "panels/level-alert", "panels/mode-row"


def played(tmp_path: Path, name: str, rules: str = "", old: str = "", new: str = "") -> list[str]:
    """Play a scenario of the demo with one thing in its rules changed; return what is found, one line each."""
    shutil.copytree(DEMO, tmp_path / "demo", ignore=shutil.ignore_patterns("__pycache__"))
    if old:
        path = tmp_path / "demo" / rules
        text = path.read_text()
        assert text.count(old) == 1
        path.write_text(text.replace(old, new))
    result = play(tmp_path / "demo" / f"{name}-scenario.toml")
    assert not result.never
    return [f"{failed.broken.expectation.name}: {failed.broken.found}" for failed in result.failed]


@pytest.mark.parametrize("name", ["ostrey", LEVEL, MODES])
def test_the_demo_s_rules_keep_its_scenarios(tmp_path: Path, name: str) -> None:
    assert played(tmp_path, name) == []


@pytest.mark.parametrize(
    ("name", "rules", "old", "new", "broken"),
    [
        ("ostrey", "ostrey_rules.py", "on=10, off=8", "on=12, off=8", "crosswind on when wind_direction 300 deg"),
        ("ostrey", "ostrey_rules.py", "on=10, off=8", "on=10, off=7", "crosswind off when wind_direction 300 deg"),
        ("ostrey", "ostrey_rules.py", 'mains == "off" and standby', "standby", "standby_fail off"),
        ("ostrey", "ostrey_rules.py", ":.2f}", ":.1f}", "pressure ' 29.93'"),
        ("ostrey", "ostrey_rules.py", "bool(obstruction or lamp_test)", "bool(obstruction)", "the lamp test lights"),
        (LEVEL, "panels/level_alert_rules.py", "300 <", "350 <", "level_alert on when level from 9310 ft"),
        (LEVEL, "panels/level_alert_rules.py", "<= 1000", "<= 1100", "level_alert off when level below 10950 ft"),
        (LEVEL, "panels/level_alert_rules.py", 'format=","', 'format="d"', "selected_level '12.000'"),
        (LEVEL, "panels/level_alert_rules.py", "abs(level - selected_ft)", "selected_ft - level", "from 9310 ft"),
        (MODES, "panels/mode_row_rules.py", ' if master == "on" else ""', "", "selected_speed ''"),
    ],
)  # fmt: skip
def test_a_rule_that_is_wrong_breaks_them(
    tmp_path: Path, name: str, rules: str, old: str, new: str, broken: str
) -> None:
    assert any(broken in text for text in played(tmp_path, name, rules, old, new))
