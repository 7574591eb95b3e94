"""Rules held against captures, and swept."""

from __future__ import annotations

from pathlib import Path

import pytest
from rehearse.small import PANEL

from benchcon import demo
from benchcon.cli.main import main

DEMO = Path(demo.__file__).parent
BEHAVIOUR = str(DEMO / "ostrey-behaviour.toml")


@pytest.fixture(scope="module")
def evening(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("evening")
    assert main(["rehearse", str(DEMO / "ostrey-scenario.toml"), "--captures", str(folder)]) == 0
    return folder / "ostrey-scenario.capture"


def test_the_same_rules_say_what_the_panel_showed(evening: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["rehearse", BEHAVIOUR, str(evening)]) == 0
    assert "12 of 12 outputs compared: the panel showed what the rules say" in capsys.readouterr().out


def test_rules_that_were_changed_are_told_where_they_part(
    evening: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rules = tmp_path / "changed.py"
    rules.write_text((DEMO / "ostrey_rules.py").read_text().replace("on=10, off=8", "on=11, off=8"))
    assert main(["rehearse", BEHAVIOUR, str(evening), "--rules", str(rules)]) == 1
    out = capsys.readouterr().out
    # The wind passes 20 kt (10 across) 6 s into its ramp from 14 kt, which begins at 2 s.
    assert "at 8.0" in out
    assert "crosswind: the rule says off, the panel shows on" in out
    assert f"{rules}:" in out
    assert "12 of 12 outputs compared: 1 DIFFER" in out


def test_a_mistake_that_a_capture_brings_out_is_told(
    evening: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rules = tmp_path / "wrong.py"
    rules.write_text((DEMO / "ostrey_rules.py").read_text().replace("on=10, off=8", "on=1 / 0, off=8"))
    assert main(["rehearse", BEHAVIOUR, str(evening), "--rules", str(rules)]) == 1
    out = capsys.readouterr().out
    assert "ZeroDivisionError: division by zero" in out, "no difference can be told where a rule says nothing"
    assert f"{rules}:" in out
    assert "1 MISTAKE in rules" in out


def test_a_file_of_another_kind_is_called_what_it_is(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["rehearse", BEHAVIOUR, "--headless"]) == 2
    assert "without a console there is nothing to play in a behaviour file alone" in capsys.readouterr().err
    assert main(["rehearse", str(DEMO / "ostrey.toml"), "--headless"]) == 2
    assert "this is a panel file" in capsys.readouterr().err
    assert main(["rehearse", "night.capture"]) == 2
    assert "or a behaviour file beside the capture" in capsys.readouterr().err


def sweep(folder: Path, rules: str, more: str = "") -> int:
    (folder / "panel.toml").write_text(PANEL + more)
    (folder / "rules.py").write_text("from benchcon.rehearse import *\n" + rules)
    (folder / "b.toml").write_text(
        '[behaviour]\npanel = "panel.toml"\nrules = "rules.py"\n[values.level]\nunit = "ft"\n'
        'range = ["0 ft", "40000 ft"]\nstart = "0 ft"\n[values.speed]\nunit = "kt"\nrange = ["0 kt", "400 kt"]\n'
    )
    return main(["rehearse", "--sweep", str(folder / "b.toml")])


def test_a_sweep_finds_what_no_scenario_came_to(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code = sweep(
        tmp_path,
        '@lamp("alarm")\ndef alarm(level): return level > 40000\n'
        '@lamp("crosswind")\ndef wind(mode): return mode == "auto" or mode != "auto"\n'
        '@display("level", format=".1f")\ndef shown(level): return level\n'
        '@display("pressure", format=".0f")\ndef both(level, speed): return 100 / (level + speed - 40400)\n',
    )
    assert code == 1
    out = capsys.readouterr().out
    assert "alarm never lights" in out
    assert "crosswind is never off" in out
    assert "level overflows (at level 10000 ft" in out
    # Only both at their ends together.
    assert "ZeroDivisionError" in out
    assert "(at level 40000 ft, speed 400 kt" in out


def test_the_demo_s_rules_come_to_everything(capsys: pytest.CaptureFixture[str]) -> None:
    for name in ("ostrey", "panels/level-alert", "panels/mode-row"):
        assert main(["rehearse", "--sweep", str(DEMO / f"{name}-behaviour.toml")]) == 0
        assert capsys.readouterr().out.endswith("all well\n")


def test_a_sweep_says_what_stays_lit_without_supply(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Two lamps by one rule, one of them fed by the panel's supply: the other stays lit with mains off."""
    both = '@lamp("alarm", "crosswind")\ndef lit(level): return level > 1000\n'
    assert sweep(tmp_path, both) == 0
    assert "without supply" not in capsys.readouterr().out, "the panel has no supply"
    supply = '\n[supplies.main]\nfeeds = ["crosswind"]\non_when = [{ mains = "on" }]\n'
    assert sweep(tmp_path, both, supply) == 0, "it is said, and nothing wrong by itself"
    out = capsys.readouterr().out
    assert "alarm stays lit without supply (at level " in out
    assert "crosswind stays lit" not in out
    off = '@lamp("alarm", "crosswind")\ndef lit(level, mains): return mains == "on" and level > 1000\n'
    assert sweep(tmp_path, off, supply) == 0
    assert "stays lit" not in capsys.readouterr().out
