"""The demo's desks, generated, compiled for their chip, and worked in the emulated bench by their generated wiring.

Every input is moved and every output lit on the real binary: pin numbers, chain bits, levels and places of map and
wiring file, which two different pieces of code write, must agree with what the chip does.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from firmware.emulated import Log, ask, chip_of, needs_emulator
from firmware.generator_panels import demo_plan, everything, planned

from benchcon.firmware.board_plan import Plan

pytestmark = needs_emulator


def worked(plan: Plan, where: Path, hand: list[str], sets: str) -> Log:
    """Play words of a hand one after the other, 60 ms apart, then set the outputs and look at them."""
    script = [f"{500_000 + 60_000 * number} {word}" for number, word in enumerate(hand)]
    after = 600_000 + 60_000 * len(hand)
    # Alternate tags, as a host would; each request well after the last one's answer.
    for number, setting in enumerate(sets.split()):
        script.append(f"{after} rx {ask(number + 1, f'set {setting}')}")
        after += 20_000
    script += [
        f"{after + 100_000} lit",
        *(f"{after + 100_001} shown {each.display.channel.id}" for each in plan.displays),
    ]
    script.append(f"{after + 120_000} end")
    return chip_of(plan, where).run(script)


def values_reported(log: Log) -> list[str]:
    """Every `id=value` that the board told by itself, in order."""
    log.good()
    return [word for line in log.notifications("is") for word in line.words[1:]]


@pytest.mark.slow
def test_the_lighting_desk_tells_each_contact_and_lights_each_lamp(tmp_path: Path) -> None:
    plan = demo_plan("lighting")
    contacts = [contact.channel.id for contact in plan.contacts]
    levels = {output.lamp.channel.id: 1000 - 100 * number for number, output in enumerate(plan.lamps)}
    sets = " ".join(f"{id_}={level:03X}" for id_, level in levels.items())
    log = worked(plan, tmp_path, [f"press {id_}" for id_ in contacts], sets)
    assert values_reported(log) == [f"{id_}=1" for id_ in contacts]
    lit = log.numbers("lit")[-1]
    assert set(lit) == set(levels)
    for id_, level in levels.items():
        assert lit[id_] == pytest.approx(level, abs=10)


def test_the_weather_desk_counts_its_encoder_and_shows_its_digits(tmp_path: Path) -> None:
    plan = demo_plan("met")
    # “270”, “12”, “1013.2”: segments by the MAX7219 data sheet, table 5; the point is bit 7.
    sets = "d_dir=6D707E d_spd=306D d_qnh=307E30F96D l_xwind=3E8"
    log = worked(plan, tmp_path, ["press unit", "turn enc_qnh 2", "release unit"], sets)
    words = values_reported(log)
    assert [word for word in words if word.startswith("unit")] == ["unit=1", "unit=0"]
    assert [word for word in words if word.startswith("enc_qnh")][-1] == "enc_qnh=0008"  # two detents of four counts
    assert log.numbers("lit")[-1]["l_xwind"] == pytest.approx(1000, abs=10)
    assert log.replies("shown d_dir") == ["d_dir=6D707E"]
    assert log.replies("shown d_spd") == ["d_spd=306D"]
    assert log.replies("shown d_qnh") == ["d_qnh=307E30F96D"]


def test_the_power_desk_reads_its_potentiometer_and_lights_lamps_on_pins(tmp_path: Path) -> None:
    plan = demo_plan("power")
    log = worked(
        plan, tmp_path, ["press sw_main", "press sb_on", "press sw_batt", "put volts 1023"], "l_main=3E8 l_batt=1F4"
    )
    words = values_reported(log)
    assert [word for word in words if not word.startswith("volts")] == ["sw_main=1", "sb_on=1", "sw_batt=1"]
    assert words[-1] == "volts=03FF"
    lit = log.numbers("lit")[-1]
    assert lit["l_main"] == pytest.approx(1000, abs=10)
    assert lit["l_batt"] == pytest.approx(500, abs=10)
    assert lit["l_stby"] == 0


@pytest.mark.slow
@pytest.mark.parametrize("chip", ["atmega328p", pytest.param("atmega2560", marks=pytest.mark.slow)])
def test_every_kind_of_pin_and_level_on_one_board(chip: str, tmp_path: Path) -> None:
    plan = planned(everything(chip))
    hand = [f"press {id_}" for id_ in ("direct", "high", "far_l", "far_r", "key")]
    log = worked(
        plan, tmp_path, [*hand, "turn turn 1", "turn turn_far 1"], "near=1F4 remote=3E8 plain=3E8 number=7E306D"
    )
    words = [word for word in values_reported(log) if not word.startswith(("turn", "dim"))]
    assert words == ["direct=1", "high=1", "far_l=1", "far_r=1", "key=1"]
    assert [word for word in values_reported(log) if word.startswith("turn=")][-1] == "turn=0002"
    assert [word for word in values_reported(log) if word.startswith("turn_far=")][-1] == "turn_far=0004"
    lit = log.numbers("lit")[-1]
    assert lit["near"] == pytest.approx(500, abs=15)  # lit when low
    assert lit["remote"] == pytest.approx(1000, abs=10)
    assert lit["plain"] == pytest.approx(1000, abs=10)
    assert log.replies("shown number") == ["number=7E306D"]


DARK_SWITCH = """\
[boards.desk]
chip = "atmega328p"
budget = "60 mA"

[controls.lights_out]
kind = "switch"
darkens = true
channel = { id = "out", pin = "D4" }

[lamps.lit]
current = "5 mA"
channel = { id = "lit", pin = "D5" }
"""


def test_a_dark_switch_of_the_panel_file_darkens_the_chip_without_a_host(tmp_path: Path) -> None:
    log = chip_of(planned(DARK_SWITCH), tmp_path).run(
        [
            *("400000 rx " + ask(1, "set lit=3E8"), "500000 lit", "500000 rx " + ask(2, "item 04")),
            *("600000 press out", "700000 lit", "700000 rx " + ask(3, "light"), "800000 release out"),
            *("900000 rx " + ask(4, "light"), "1000000 rx " + ask(5, "set lit=3E8"), "1100000 lit", "1100001 end"),
        ]
    )
    log.good()
    assert [line.words for line in log.notifications("dark")] == [("dark", "local")]
    assert "dark=1" in log.answers("item")[0].words
    assert [line.words[1] for line in log.answers("no")] == ["06"]
    # Debounced for 10 ms by default, then dark at once; line-protocol.md, section 10.
    assert [round(row["lit"], -2) for row in log.numbers("lit")] == [1000, 0, 1000]


CHAINED = """\
[boards.desk]
chip = "atmega328p"
budget = "60 mA"
chains.595 = {{ data = "D11", clock = "D13", load = "D10"{oe} }}

[lamps.steady]
current = "5 mA"
channel = {{ id = "steady", pin = "595.0" }}

[lamps.from_plus]
current = "5 mA"
channel = {{ id = "from_pls", pin = "595.1", active = "low" }}
"""


@pytest.mark.parametrize("oe", ["", "D8"])
def test_lamps_of_a_74hc595_are_off_at_power_up_and_in_a_reset_only_if_its_oe_is_wired(oe: str, tmp_path: Path) -> None:
    # 74HC595 data sheet, function table: OE high, outputs in the high-impedance state (from memory). A pull-up holds it
    # there while the chip's pins float: at power-up and in a reset.
    plan = planned(CHAINED.format(oe=f', oe = "{oe}"' if oe else ""))
    log = chip_of(plan, tmp_path).run(
        [
            *("400000 rx " + ask(1, "set steady=3E8 from_pls=3E8"), "600000 lit"),
            *("700000 reset reset", "700000 since steady", "700000 since from_pls"),
            *("1200000 rx " + ask(2, "set steady=3E8"), "1400000 lit"),
            *("1500000 reset power", "1500000 since from_pls", "1600000 end"),
        ]
    )
    log.good()
    before, after = log.numbers("lit")
    assert before == {"steady": pytest.approx(1000, abs=10), "from_pls": pytest.approx(1000, abs=10)}
    assert after == {"steady": pytest.approx(1000, abs=10), "from_pls": 0}
    in_reset, at_power_up = log.numbers("since from_pls")
    unasked = [at_power_up["lit"], in_reset["lit"], log.numbers("since steady")[0]["lit"]]
    assert unasked == ([0, 0, 0] if oe else [1, 1, 1])
