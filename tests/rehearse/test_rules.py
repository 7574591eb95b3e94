"""Rules files: what is found by their text, and what the engine makes of them."""

from __future__ import annotations

import math
import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from misspelt import misspelt
from rehearse.small import VALUES, engine, found, panel, values

import benchcon.demo
from benchcon.errors import Trouble
from benchcon.rehearse import (
    Memory,
    after,
    behaviour,
    blink,
    convert,
    hysteresis,
    latch,
    nearest,
    rising,
    rules_file,
    scenario,
    stopping,
    toggle,
)
from benchcon.rehearse.inputs import Controls

HEAD = "from benchcon.rehearse import *\n"


# --- by the text ------------------------------------------------------------------------------------------------------


def test_two_rules_for_one_lamp() -> None:
    rules = '@lamp("alarm")\ndef one(): return True\n@lamp("alarm", "crosswind")\ndef other(): return False\n'
    assert found(rules) == ["4: lamp alarm has two rules: other, and one in line 2; one of them must go"]


def test_what_the_panel_does_not_have() -> None:
    text = found('@lamp("allarm")\ndef one(): return True\n')[0]
    assert text.startswith("2: one drives the lamp allarm, which small.toml does not have")
    assert 'did you mean "alarm"?' in text
    assert "drives the display alarm, which" in found('@display("alarm")\ndef one(): return 1\n')[0]


def test_a_value_or_control_that_nobody_has() -> None:
    text = found('@lamp("alarm")\ndef one(wind_sped): return True\n')[0]
    assert text.startswith("2: one takes wind_sped, which is not a value, control or derived quantity")
    assert 'did you mean "wind_speed"?' in text


def test_a_position_that_a_control_does_not_have() -> None:
    rules = '@lamp("alarm")\ndef one(mode):\n    return mode == "atuo" or "hand" == mode\n'
    assert found(rules) == ['3: mode has no position "atuo"; its positions: off, auto, hand; did you mean "auto"?']
    assert found('@lamp("alarm")\ndef one(mode):\n    return mode in ("auto", "by hand")\n')[0].startswith("3: mode")


def test_outputs_without_a_rule_are_told_with_their_line_in_the_panel_file() -> None:
    _, findings = rules_file.inspect('@lamp("alarm")\ndef one(): return True\n', "rules.py", panel(), values())
    texts = [str(each) for each in findings]
    assert "small.toml:33: advice: lamps.crosswind has no rule in rules.py" in texts
    assert not any(each.grave for each in findings)


def test_circles_and_order() -> None:
    rules = '@derived("a")\ndef one(b): return b\n@derived("b")\ndef two(a): return a\n'
    assert any("depends on itself: a → b → a" in text for text in found(rules))
    good = '@derived("b")\ndef two(a): return a\n@derived("a")\ndef one(): return 1\n'
    made, _ = rules_file.inspect(good, "rules.py", panel(), values())
    assert [rule.derived for rule in made] == ["a", "b"]


@pytest.mark.parametrize(
    ("rules", "text"),
    [
        ("def (", "is not valid Python"),
        ("@lamp\ndef one(): return 1\n", "names what the rule is for"),
        ('NAME = "alarm"\n@lamp(NAME)\ndef one(): return 1\n', "takes names in quotes"),
        ('@lamp("alarm")\nasync def one(): return 1\n', "plain function"),
        ('@lamp("alarm")\ndef one(*all): return 1\n', "every parameter of a rule needs its own name"),
        ('@display("level", format="qq")\ndef one(): return 1\n', "not one for numbers"),
        ('@display("level", convert=("hPa", "kt"))\ndef one(): return 1\n', "is a pressure"),
        ('@display("level", width=3)\ndef one(): return 1\n', "width is unknown here"),
        ('class A:\n  @lamp("alarm")\n  def one(self): return 1\n', "is inside something else"),
        ('@lamp("alarm")\ndef one(): return 1\n@lamp("crosswind")\ndef one(): return 1\n', "two functions one"),
    ],
)
def test_what_is_wrong_is_said_with_its_line(rules: str, text: str) -> None:
    assert any(text in each for each in found(rules))


@given(st.text(max_size=200) | st.binary(max_size=200))
def test_any_text_whatever_is_only_read(text: str | bytes) -> None:
    rules_file.inspect(text, "rules.py", panel(), values())


def test_check_runs_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from benchcon.cli.main import main

    trace = tmp_path / "ran"
    (tmp_path / "rules.py").write_text(
        f"open({str(trace)!r}, 'w')\n{HEAD}@lamp('alarm')\ndef one(mains, nobody): return mains\n"
    )
    from rehearse.small import PANEL

    (tmp_path / "panel.toml").write_text(PANEL)
    (tmp_path / "b.toml").write_text('[behaviour]\npanel = "panel.toml"\nrules = "rules.py"\n' + VALUES)
    assert main(["check", str(tmp_path / "b.toml")]) == 1
    out = capsys.readouterr().out
    assert f"{tmp_path}/rules.py:4: one takes nobody, which is not a value" in out
    assert f"{tmp_path}/panel.toml:33: advice: lamps.crosswind has no rule in rules.py" in out
    assert "b.toml:4: advice: values.wind_speed is taken by no rule" in out
    assert main(["check", str(tmp_path / "rules.py")]) == 1
    assert "one takes nobody" in capsys.readouterr().out
    assert not trace.exists()


# --- what they do -----------------------------------------------------------------------------------------------------


def test_crosswind_with_hysteresis(tmp_path: Path) -> None:
    made = engine(
        tmp_path,
        HEAD
        + """
import math
import re
@derived("across")
def across(wind_speed, wind_direction):
    return abs(wind_speed * math.sin(math.radians(wind_direction - 270)))
@lamp("crosswind")
def crosswind(across, memory):
    return hysteresis(memory, "above", across, on=20, off=18)
""",
    )
    made.step(0)
    assert made.shown["crosswind"].why == "no data: across is not known"
    # Any pilot's handbook: 30 degrees off the runway, half the wind is across it.
    made.set("wind_direction", 300)
    seen = []
    for wind in (38, 41, 39, 37, 35.9, 39, 41):
        made.set("wind_speed", float(wind))
        made.step(1)
        seen.append(made.shown["crosswind"].text)
    assert seen == ["off", "on", "on", "on", "off", "off", "on"]
    assert math.isclose(made.inputs["across"], 20.5)


def test_a_mistake_is_told_at_its_lamp_and_the_rest_goes_on(tmp_path: Path) -> None:
    made = engine(
        tmp_path,
        HEAD
        + '@lamp("alarm")\ndef alarm(wind_speed):\n    return 1 / wind_speed > 1\n'
        + '@display("level")\ndef level(wind_speed):\n    return wind_speed\n',
    )
    made.step(0)
    assert made.shown["alarm"].text == "off"
    assert made.shown["alarm"].why == f"{tmp_path}/rules.py:4: ZeroDivisionError: float division by zero"
    assert made.where("alarm") == f"{tmp_path}/rules.py:4 alarm"
    assert made.shown["level"].text == "    0"
    made.set("wind_speed", 0.5)
    assert made.step(1) == ["alarm", "level"]
    assert made.shown["alarm"] == (1000, "on", "")


def test_what_is_not_known_any_more_is_no_data_and_never_the_last_thing(tmp_path: Path) -> None:
    made = engine(tmp_path, HEAD + '@display("level")\ndef level(wind_speed):\n    return wind_speed\n')
    made.set("wind_speed", 12.0)
    made.step(0)
    assert made.shown["level"].text == "   12"
    made.set("wind_speed", None)
    made.step(1)
    assert made.shown["level"].text == "-----"


def test_a_default_is_what_a_rule_gets_where_there_is_no_data(tmp_path: Path) -> None:
    made = engine(tmp_path, HEAD + '@lamp("alarm")\ndef alarm(wind_direction=None): return wind_direction is None\n')
    made.step(0)
    assert made.shown["alarm"].text == "on"


def test_a_default_that_is_a_number_is_given_as_it_is(tmp_path: Path) -> None:
    made = engine(
        tmp_path,
        HEAD
        + '@display("level")\ndef level(wind_speed=7, *, wind_direction=30):\n    return wind_speed + wind_direction\n',
    )
    made.set("wind_speed", None)
    made.step(0)
    assert made.shown["level"].text == "   37"
    made.update({"wind_speed": 1, "wind_direction": 2})
    made.step(1)
    assert made.shown["level"].text == "    3"


def test_one_rule_for_several_lamps(tmp_path: Path) -> None:
    made = engine(tmp_path, HEAD + '@lamp("alarm", "crosswind")\ndef both(mains, ack):\n    return mains, not ack\n')
    made.step(0)
    assert (made.shown["alarm"].text, made.shown["crosswind"].text) == ("off", "on")


def test_controls_as_rules_see_them() -> None:
    controls = Controls(panel())
    assert controls.moved("desk", "m0", 1, 0) == {"mode": None}
    controls.moved("desk", "m1", 0, 0)
    mode = controls.moved("desk", "m2", 0, 0)["mode"]
    assert mode == "off"
    assert not mode
    assert mode != "auto"
    assert str(mode) == "off"
    with pytest.raises(ValueError, match="mode has no position 'on'"):
        _ = mode == "on"
    assert controls.moved("desk", "enc", 0xFFF8, 0) == {"knob": -2}
    assert controls.moved("desk", "pot", 1023, 0) == {"volts": 1.0}
    assert controls.moved("desk", "pot", None, 0) == {"volts": None}


def test_a_rotary_switch_on_its_way_stands_where_it_stood_and_a_broken_one_is_not_known() -> None:
    controls = Controls(panel())
    for channel, value in (("m0", 1), ("m1", 0), ("m2", 0)):
        controls.moved("desk", channel, value, 0)
    assert controls.moved("desk", "m0", 0, 1000)["mode"] == "off"
    assert controls.moved("desk", "m1", 1, 9000)["mode"] == "auto"
    assert controls.next_us() is None
    assert controls.moved("desk", "m1", 0, 10_000)["mode"] == "auto"
    assert controls.next_us() == 160_000
    assert controls.tick(159_999) == {}
    assert controls.tick(160_000) == {"mode": None}
    assert controls.moved("desk", "m2", 1, 200_000)["mode"] == "hand"


def test_only_rules_whose_inputs_changed_are_called(tmp_path: Path) -> None:
    rules = (
        HEAD
        + '@lamp("alarm")\ndef alarm(mains): return mains\n@lamp("crosswind")\ndef c(seconds): return blink(seconds)\n'
    )
    made = engine(tmp_path, rules)
    made.step(0)
    assert made.calls == 2
    made.step(0.6)
    assert made.calls == 3
    made.set("wind_speed", 3.0)
    made.step(0.7)
    assert made.calls == 4


def test_a_file_that_fails_when_it_runs_is_one_line(tmp_path: Path) -> None:
    (tmp_path / "rules.py").write_text('import math\nmath.nothing\n@lamp("alarm")\ndef one(): return 1\n')
    with pytest.raises(Trouble, match=r"rules\.py:2: AttributeError: module 'math' has no attribute"):
        rules_file.load(tmp_path / "rules.py", panel(), values())


@pytest.mark.parametrize(
    "code", ["raise SystemExit(3)", "exit()", "raise KeyError('x')", "1 .real()", "return f'{wind_speed:q}'"]
)
def test_nothing_that_a_rule_raises_gets_out(tmp_path: Path, code: str) -> None:
    made = engine(tmp_path, HEAD + f'@lamp("alarm")\ndef one(wind_speed):\n    {code}\n')
    made.step(0)
    assert made.shown["alarm"].why.startswith(f"{tmp_path}/rules.py:4: ")


@pytest.mark.parametrize(
    ("code", "put_off"),
    [
        ("while True: pass", True),
        ("while True:\n        try:\n            while True: pass\n        except Exception: pass", True),
        ("for _ in range(2000): time.sleep(0.001)", True),  # it waits: not at work, but it does not come back either
        ("time.sleep(0.25)", False),  # as on a machine that is busy with other things
    ],
)
def test_a_rule_that_takes_too_long_is_put_off_and_one_that_had_no_time_is_not(
    tmp_path: Path, code: str, put_off: bool
) -> None:
    from benchcon.rehearse.watchdog import Watchdog

    rules = f'import time\n@lamp("alarm")\ndef slow(wind_speed):\n    {code}\n    return True\n'
    made = engine(tmp_path, HEAD + rules + '@display("level")\ndef level(wind_speed): return wind_speed\n')
    with Watchdog(made, limit_s=0.1):
        made.step(0)
    assert (made.put_off == {"slow"}) is put_off
    assert made.shown["alarm"].text == ("off" if put_off else "on")
    assert made.shown["level"].text == "    0", "everything else goes on"


def test_a_rule_that_sleeps_is_named_once_though_nothing_can_end_it(tmp_path: Path) -> None:
    from benchcon.rehearse.watchdog import Watchdog

    made = engine(tmp_path, HEAD + 'import time\n@lamp("alarm")\ndef sleeps(wind_speed):\n    time.sleep(1)\n')
    told: list[str] = []
    with Watchdog(made, limit_s=0.1, stuck_s=0.2, on_stuck=told.append):
        made.step(0)
    assert len(told) == 1
    assert "rules.py:" in told[0]
    assert "sleeps has not returned and cannot be suspended" in told[0]


def test_what_a_function_inside_a_rule_yields_is_not_the_rules() -> None:
    inner = "def inner():\n        yield wind_speed > 20\n    return any(inner())"
    rule = '@lamp("alarm")\ndef alarm(wind_speed):\n    '
    assert not [each for each in found(HEAD + rule + inner) if "yields" in each]
    assert [each for each in found(HEAD + rule + "yield True") if "waits or yields" in each]


def test_a_derived_quantity_may_be_anything(tmp_path: Path) -> None:
    """What cannot be compared, as an array cannot, and what was changed in place, are handed on all the same."""
    rules = """
class Array:
    def __eq__(self, other): raise ValueError("the truth value of an array")
    __ne__ = __eq__
    def __init__(self, size): self.size = size
@derived("array")
def array(wind_speed): return Array(wind_speed)
@derived("seen")
def seen(wind_speed, memory):
    return memory.setdefault("all", []) if memory.setdefault("all", []).append(wind_speed) is None else None
@lamp("alarm")
def alarm(array): return array.size > 5
@display("level")
def level(seen): return len(seen)
"""
    made = engine(tmp_path, HEAD + rules)
    for number, wind_speed in enumerate((3.0, 7.0, 2.0), 1):
        made.set("wind_speed", wind_speed)
        made.step(0)
        assert made.shown["alarm"].text == ("on" if wind_speed > 5 else "off")
        assert made.shown["level"].text.strip() == str(number)
    assert not made.mistakes


# --- helpers ----------------------------------------------------------------------------------------------------------


def test_blinking_is_never_faster_than_three_a_second() -> None:
    # WCAG 2.x, success criterion 2.3.1.
    assert [blink(t / 4) for t in range(5)] == [True, True, False, False, True]
    with pytest.raises(ValueError, match=r"at most 3 Hz"):
        blink(0, 3.1)


@given(st.integers(0, 10**7), st.integers(1, 200))
def test_after_is_true_at_the_tick_that_ends_the_delay(began: int, ticks: int) -> None:
    """Seconds are floats of twentieths: 2.15 - 2.0 is less than 0.15, and the delay is over all the same."""
    memory = Memory()
    assert not after(memory, "d", True, began / 20, ticks / 20)
    assert not after(memory, "d", True, (began + ticks - 1) / 20, ticks / 20)
    assert after(memory, "d", True, (began + ticks) / 20, ticks / 20)


def test_latch_toggle_after() -> None:
    memory = Memory()
    assert [latch(memory, "a", set=s, reset=r) for s, r in ((0, 0), (1, 0), (0, 0), (0, 1), (1, 1), (0, 0))] == [
        False, True, True, False, False, False,
    ]  # fmt: skip
    assert [toggle(memory, "b", p) for p in (0, 1, 1, 0, 1, 0)] == [False, True, True, True, False, False]
    assert not rising(memory, "c", True)  # it may have been pressed before we looked
    assert [after(memory, "d", on, t, 2.0) for on, t in ((1, 0), (1, 1.9), (1, 2), (0, 3), (1, 4), (1, 5))] == [
        False, False, True, False, False, False,
    ]  # fmt: skip


@given(st.lists(st.floats(0, 40), min_size=1))
def test_hysteresis_is_on_above_off_below_and_between_as_it_was(series: list[float]) -> None:
    memory, was = Memory(), False
    for value in series:
        now = hysteresis(memory, "k", value, on=20, off=18)
        assert now == (True if value > 20 else False if value < 18 else was)
        was = now


def test_exact_factors() -> None:
    # NIST SP 811, appendix B: 1 in = 25.4 mm, 1 ft = 0.3048 m, 1 kn = 1852 m/h, 1 inHg (32 °F) = 3386.389 Pa.
    assert convert(1, "inch", "mm") == 25.4
    assert convert(1, "ft", "m") == 0.3048
    assert math.isclose(convert(1, "kt", "m/s"), 1852 / 3600, rel_tol=1e-11)
    assert math.isclose(convert(1, "inHg", "hPa"), 33.86389, abs_tol=5e-6)
    # The same appendix: 1 mi = 1609.344 m, 1 nmi = 1852 m, 1 yd = 0.9144 m, 1 lb = 0.453 592 37 kg (all exact),
    # 1 psi = 6894.757 Pa, 1 mmHg = 133.3224 Pa, 1 gal (US) = 3.785 412 l, t/°C = (t/°F - 32)/1.8.
    assert convert(1, "mile", "m") == pytest.approx(1609.344, rel=1e-11)
    assert convert(1, "nmi", "m") == pytest.approx(1852, rel=1e-11)
    assert convert(1, "yard", "m") == pytest.approx(0.9144, rel=1e-11)
    assert convert(1, "lb", "kg") == pytest.approx(0.45359237, rel=1e-11)
    assert convert(1, "psi", "Pa") == pytest.approx(6894.757, rel=1e-7)
    assert convert(1, "mmHg", "Pa") == pytest.approx(133.3224, rel=1e-6)
    assert convert(1, "gallon", "liter") == pytest.approx(3.785412, rel=1e-6)
    assert convert(212, "degF", "degC") == pytest.approx(100, abs=1e-9)
    assert convert(-40, "degC", "degF") == pytest.approx(-40, abs=1e-9)
    assert nearest(1013.25, 0.1) == 1013.3
    assert nearest(-2.5, 1) == -3


STANDARD = """
@derived("height_ft")
def height_ft(pressure_now):
    # ISO 2533: the temperature falls by 6.5 K a kilometre from 288.15 K, up to 11 km.
    metres = 288.15 / 0.0065 * (1 - (pressure_now / 1013.25) ** (0.0065 * 287.05287 / 9.80665))
    return convert(metres, "m", "ft")

@display("level", format=",")
def level(height_ft):
    return nearest(height_ft, 100)
"""


@pytest.mark.parametrize(
    ("metres", "hectopascals"),
    # ISO 2533, table of the standard atmosphere by geopotential altitude (from memory, to a tenth of a hectopascal).
    [(0, 1013.25), (1000, 898.7), (2000, 795.0), (3000, 701.1), (5000, 540.2), (10_000, 264.4), (11_000, 226.3)],
)
def test_pressure_against_altitude(tmp_path: Path, metres: int, hectopascals: float) -> None:
    made = engine(tmp_path, HEAD + STANDARD)
    made.set("pressure_now", hectopascals)
    made.step(0)
    feet = metres / 0.3048  # exact: NIST SP 811
    assert made.inputs["height_ft"] == pytest.approx(feet, abs=15)
    assert made.shown["level"].text.strip() == f"{round(feet, -2):,.0f}".replace(",", ".")


# --- the behaviour file -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "finding"),
    [
        ('[values.a]\nunit = "kt"\n', "1: values.a has no range"),
        ('[values.a]\nunit = "nots"\nrange = [0, 1]\n', "2: values.a.unit"),
        ('[values.a]\nunit = "kt"\nrange = ["0 hPa", "9 kt"]\n', "3: values.a.range[1]"),
        ('[values.a]\nunit = "kt"\nrange = ["9 kt", "0 kt"]\n', "the minimum comes first"),
        ("[values.a]\nrange = [0, 3]\nstart = 4\n", "3: values.a.start is 4: it lies outside its range, 0 to 3"),
        ("[values.seconds]\nrange = [0, 3]\n", "has a name that rules use for something else"),
        ('[behaviour]\nrules = "no.py"\n[values.a]\nrange = [0, 3]\n', "2: behaviour.rules"),
        ("[values.a]\nrange = [0, 3]\nsize = 3\n", "3: values.a.size is unknown here"),
    ],
)
def test_findings_about_behaviour_files(text: str, finding: str) -> None:
    _, findings = behaviour.inspect(text, "b.toml")
    assert any(finding in str(each) for each in findings if each.grave), findings


@pytest.mark.parametrize("unit", ['"nots"', "5", '"a\\u001b[2J"'])
def test_a_wrong_unit_is_told_once(unit: str) -> None:
    """Not, as well, that numbers with units have to be plain ones."""
    _, (found,) = behaviour.inspect(f'[values.a]\nunit = {unit}\nrange = ["0 kt", "9 kt"]\nstart = "3 kt"\n', "b.toml")
    assert str(found).startswith("b.toml:2: values.a.unit")


@pytest.mark.parametrize("low", ['"0 %"', '"on"', "0"])
def test_the_example_of_a_range_is_a_number_that_a_person_would_write(low: str) -> None:
    _, findings = behaviour.inspect(f'[values.a]\nunit = "kt"\nrange = [{low}, "9 kt"]\n', "b.toml")
    assert 'such as "0 kt"' in str(findings[0])


def test_a_file_that_begins_with_a_byte_order_mark_is_known_for_what_it_is() -> None:
    """Some editors write one (Unicode 16, section 23.8)."""
    assert behaviour.looks_like_one("\ufeff[behaviour]\n")


def test_a_misspelt_key_is_told_once() -> None:
    """Not, as well, that what it was meant to be is not there, nor what hung on that."""
    _, (found,) = behaviour.inspect("[values.a]\nrang = [0, 3]\n", "b.toml")
    assert str(found).startswith("b.toml:2: values.a.rang is unknown")
    assert 'mean "range"' in str(found)
    _, (found,) = behaviour.inspect('[values.a]\nuint = "kt"\nrange = ["0 kt", "9 kt"]\nstart = "3 kt"\n', "b.toml")
    assert 'mean "unit"' in str(found)
    text = '[scenario]\nbehavior = "b.toml"\n[[steps]]\nput = { mains = "on" }\nexpect = { lamp = "on" }\n'
    _, (found,) = scenario.inspect(text, "s.toml")
    assert str(found).startswith("s.toml:2: scenario.behavior is unknown")
    assert 'mean "behaviour"' in str(found)


DEMO = Path(benchcon.demo.__file__).parent
DEMO_FILES = {"ostrey-behaviour.toml": behaviour.inspect, "ostrey-scenario.toml": scenario.inspect}


@given(st.sampled_from(sorted(DEMO_FILES)), st.data())
def test_a_misspelt_key_of_the_demos_files_is_told_once_where_it_is(name: str, data: st.DataObject) -> None:
    """`behavior = …` made eighty lines: of every step that all it names is unknown."""
    text = (DEMO / name).read_text("utf-8")
    begin, end = data.draw(st.sampled_from([match.span(1) for match in re.finditer(r"(?m)^([a-z_]{3,})(?= = )", text)]))
    key = text[begin:end]
    wrong = misspelt(key, data)
    _, found = DEMO_FILES[name](text[:begin] + wrong + text[end:], str(DEMO / name))
    (only,) = [finding for finding in found if finding.grave]
    assert only.line == text.count("\n", 0, begin) + 1
    assert f"{wrong} is unknown here" in only.text


# --- names that nothing defines --------------------------------------------------------------------------------------


@pytest.mark.parametrize("imports", ["from benchcon.rehearse import lamp", "from benchcon.rehearse import *"])
def test_a_name_that_nothing_defines_is_found_by_the_text(imports: str) -> None:
    text = f'{imports}\n@lamp("alarm")\ndef one(mode):\n    return mod == "auto"\n'
    findings = rules_file.inspect(text, "rules.py")[1]
    assert [str(each) for each in findings if each.grave] == ['rules.py:4: mod is not defined; did you mean "mode"?']


def test_a_value_that_is_no_parameter_is_named_as_that() -> None:
    text = 'from benchcon.rehearse import lamp\n@lamp("alarm")\ndef one():\n    return wind_speed > 5\n'
    (grave,) = (each for each in rules_file.inspect(text, "rules.py", panel(), values())[1] if each.grave)
    assert str(grave) == "rules.py:4: wind_speed is not defined; a rule takes values and controls as its parameters"


def test_names_that_python_finds_are_not_told() -> None:
    text = """
import math as m, os.path
from benchcon.rehearse import lamp
LIMIT = 3
if LIMIT: other = 1
for each in range(3): pass
class Kept:
    top = LIMIT
    def get(self): return [q for q in range(LIMIT) if (w := q)], __class__, self.top
def prepare():
    global later
    later = 1
@lamp("alarm")
def one(mode, *, k=m.pi):
    def inner(): return mode, each, other
    try: match mode:
            case {"a": found, **rest}: return found, rest
            case [first, *more] as whole: return first, more, whole
    except ValueError as error: print(error, later, __name__, __file__)
    return (lambda u: u + k)(1), Kept, inner, os
""".replace("    try: match mode:", "    try:\n        match mode:")
    assert [each for each in rules_file.inspect(text, "rules.py")[1] if each.grave] == []
    guessed = "from somewhere import *\ndef f(): return unknown\n"
    assert [each for each in rules_file.inspect(guessed, "rules.py")[1] if each.grave] == []


def test_a_file_that_never_finishes_loading_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(stopping, "LOAD_S", 0.2)
    loops = "while tries < 3:\n    try:\n        while True: pass\n    except BaseException: tries = tries + 1\n"
    for code in ("while True: pass\n", "tries = 0\n" + loops + "while True: pass\n"):
        (tmp_path / "rules.py").write_text(code)
        with pytest.raises(Trouble, match=r"rules\.py: does not finish loading"):
            rules_file.load(tmp_path / "rules.py", panel(), values())


@pytest.mark.parametrize("kind", ["KeyboardInterrupt", "SystemExit", "GeneratorExit"])
def test_a_file_that_wants_to_end_the_program_is_told_in_one_line(tmp_path: Path, kind: str) -> None:
    (tmp_path / "rules.py").write_text(f"x = 1\nraise {kind}\n")
    with pytest.raises(Trouble, match=rf"rules\.py:2: {kind}$"):
        rules_file.load(tmp_path / "rules.py", panel(), values())
