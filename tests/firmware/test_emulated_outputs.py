"""Outputs on the emulated chip: what its pins and the chips behind them really do, read back as duty and segments."""

from __future__ import annotations

import pytest
from cie import luminance_of
from firmware.emulated import PANELS, Log, ask, bench, needs_emulator

pytestmark = needs_emulator

LAMPS = ["l_app", "l_rwy", "l_twy", "l_stp", "l_obs", "l_xwd", "l_mai", "l_bat"]

# Font of code B, bits A to G being 6 to 0 (MAX7219/MAX7221 data sheet, table 5).
CODE_B = (0x7E, 0x30, 0x6D, 0x79, 0x33, 0x5B, 0x5F, 0x70, 0x7F, 0x7B)


def lit(log: Log) -> dict[str, int]:
    return {k: int(v) for k, _, v in (word.partition("=") for word in log.replies("lit")[-1].split())}


def shown(log: Log) -> list[dict[str, str]]:
    return [dict(word.split("=") for word in answer.split()) for answer in log.replies("shown")]


def since(log: Log, lamp: str) -> list[dict[str, float]]:
    return log.numbers(f"since {lamp}")


def _duties(panel: str, lamps: list[str], levels: list[int]) -> list[tuple[int, float]]:
    chip = bench(PANELS / panel) if panel != "desk" else bench()
    script = []
    for n, level in enumerate(levels):
        at = 100_000 + 250_000 * n
        script += [f"{at} rx " + ask(1 + n, f"set {lamps[n % len(lamps)]}={level:03X}")]
        script += [f"{at + 200_000} duty {lamps[n % len(lamps)]}"]
        script += [f"{at + 210_000} rx " + ask(1 + n, f"set {lamps[n % len(lamps)]}=000")]
    log = chip.run(script)
    assert not log.answers("no")
    found = [float(said.answer.split()[1]) for said in log.said]
    return list(zip(levels, found, strict=True))


@pytest.mark.parametrize("lamps", [("desk", LAMPS), ("direct", ["l1", "l3"])], ids=["chain", "pins"])
def test_duty_follows_cie_1976(lamps: tuple[str, list[str]]) -> None:
    """Lightness to relative luminance: CIE 1976 (ISO/CIE 11664-4), by PyPI `colour-science`; L* 50 is 18.42 %."""
    assert luminance_of(50.0) == pytest.approx(18.42, abs=0.005)
    for level, duty in _duties(*lamps, [0, 20, 80, 125, 250, 330, 500, 610, 750, 900, 1000]):
        want = luminance_of(level / 10) / 100
        assert duty == pytest.approx(want, rel=0.025, abs=0.0012), level


def test_more_lightness_is_never_less_duty() -> None:
    duties = [duty for _, duty in _duties("desk", ["l_app"], list(range(10, 400, 13)))]
    assert duties == sorted(duties)


def test_the_modulation_is_too_quick_to_be_seen() -> None:
    """A hundred times a second or quicker, at every level, beside notifications too (common practice, no source)."""
    script = ["100000 rx " + ask(1, "set l_app=00A l_rwy=0C8 l_twy=1F4 l_stp=3E7"), "150000 turn e_prs 50"]
    script += [f"200000 modulation {lamp}" for lamp in LAMPS[:4]] + [f"1200000 modulation {lamp}" for lamp in LAMPS[:4]]
    log = bench().run(script)
    for lamp in LAMPS[:4]:
        told = log.numbers(f"modulation {lamp}")[1]
        assert told["rises"] >= 100, lamp
        assert told["longest"] <= 10_000, lamp


def test_lamps_that_are_lit_when_low_and_lamps_that_cannot_be_dimmed() -> None:
    log = bench(PANELS / "direct").run(
        [
            *("50000 since l1", "50000 since l3", "60000 rx " + ask(1, "set l2=1F3 l3=3E8"), "150000 lit"),
            *("160000 rx " + ask(2, "set l2=1F4 l3=000"), "300000 lit"),
        ]
    )
    assert since(log, "l3")[0]["lit"] == 0
    before, after = ({k: int(v) for k, _, v in (w.partition("=") for w in each.split())} for each in log.replies("lit"))
    assert (before["l2"], before["l3"]) == (0, 1000)
    assert (after["l2"], after["l3"]) == (1000, 0)


STATES = {
    "at levels": "200000 rx " + ask(2, "alive 03E8"),
    "while winking": "250000 rx " + ask(2, "wink"),
    "with notifications flowing": "280000 turn e_prs 100",
    "in the middle of a broken line": "299000 hex 3E30332070696E67203030",
    "in a full window": "250000 window 96 " + ask(9, "read l_app l_rwy l_twy"),
}


@pytest.mark.parametrize("state", STATES.values(), ids=STATES.keys())
def test_dark_is_dark_within_ten_milliseconds_from_any_state(state: str) -> None:
    every = [f"{lamp}={level:03X}" for lamp, level in zip(LAMPS, range(125, 1001, 125), strict=True)]
    log = bench().run(
        [
            *("100000 rx " + ask(1, f"set {' '.join(every[:4])}"), "120000 rx " + ask(1, f"set {' '.join(every[4:])}")),
            *("140000 rx " + ask(1, "set d_dir=7E306D d_spd=FFFF"), state),
            *("300000 hex 0A", "300000 rx " + ask(3, "dark"), *(f"320000 since {lamp}" for lamp in LAMPS)),
            *("320000 shown", "400000 rx " + ask(4, "set l_app=3E8"), "420000 window 0", "500000 lit"),
        ]
    )
    # An empty line ends a broken one; with the window full some of it is still on the line.
    sent_us = 300_000 + (96 if "window" in state else 0) * 86.8 + 16 * 86.8
    for lamp in LAMPS:
        told = since(log, lamp)[0]
        assert told["lit"] == 0, lamp
        assert told["since"] <= sent_us + 10_000, lamp
    assert set("".join(shown(log)[0].values())) == {"0"}
    assert [line.words[1] for line in log.answers("no")] == ["06"]
    assert set(lit(log).values()) == {0}


def test_the_dead_man() -> None:
    log = bench().run(
        [
            *("100000 rx " + ask(1, "set l_app=3E8 d_dir=7F7F7F"), "110000 rx " + ask(2, "deadman 01F4")),
            *("500000 rx " + ask(3, "hello"), "900000 rx @@ hello", "990000 since l_app"),
            *("1100000 since l_app", "1100000 shown"),
        ]
    )
    before, after = since(log, "l_app")
    assert before["lit"] == 1
    assert after["lit"] == 0
    # fed by the request at 500 ms, not by the line typed by hand
    assert 1_000_000 <= after["since"] <= 1_015_000
    assert [line.words for line in log.notifications("dark")] == [("dark", "deadman")]
    assert shown(log)[0]["d_dir"] == "000000"


def test_wink_flashes_no_more_than_three_times_a_second_however_often_it_is_asked() -> None:
    """WCAG 2.x, success criterion 2.3.1."""
    script = [f"{100_000 + 70_000 * n} rx " + ask(1 + n, "wink") for n in range(60)]
    log = bench().run([*script, "9000000 flashes", "9000000 lit"])
    flashes = {k: int(v) for k, _, v in (w.partition("=") for w in log.replies("flashes")[0].split())}
    assert 1 <= max(flashes.values()) <= 3
    assert set(lit(log).values()) == {0}


def test_digits_on_the_wire_to_the_display_drivers() -> None:
    """Digits 0 to 9 as in table 5 of the MAX7219/MAX7221 data sheet, with and without point, in the right places."""
    script = []
    for digit, code in enumerate(CODE_B):
        at = 100_000 + 60_000 * digit
        script += [
            f"{at} rx " + ask(1, f"set d_dir={code:02X}{CODE_B[9 - digit]:02X}{code | 0x80:02X} d_spd=01{code:02X}")
        ]
        script += [f"{at + 50_000} shown"]
    log = bench().run(script)
    for digit, (code, row) in enumerate(zip(CODE_B, shown(log), strict=True)):
        assert row["d_dir"] == f"{code:02X}{CODE_B[9 - digit]:02X}{code | 0x80:02X}"
        assert row["d_spd"] == f"01{code:02X}"
        assert row["d_prs"] == "0000000000"


def test_the_drivers_come_back_within_a_second_after_their_supply_dipped() -> None:
    log = bench().run(
        [
            *("100000 rx " + ask(1, "set d_prs=7E306D7933"), "900000 shown", "1000000 dip", "1000100 shown"),
            *("2050000 shown", "2050000 drivers"),
        ]
    )
    before, dipped, after = (row["d_prs"] for row in shown(log))
    assert dipped == "0000000000"
    assert before == after == "7E306D7933"


def test_set_tells_when_the_lamp_really_changed() -> None:
    log = bench().run(["100000 rx " + ask(1, "set l_app=3E8"), "200000 since l_app", "200000 clock"])
    lit_us = since(log, "l_app")[0]["since"]
    told_us = int(log.answers("set")[0].words[1], 16) + float(log.replies("clock")[0])
    assert lit_us <= told_us + 20
    assert told_us - lit_us < 1_000


def test_the_supply_is_measured() -> None:
    log = bench().run(["1500000 supply 4600", "3900000 end"])
    first, *_, last = [int(line.words[6], 16) for line in log.notifications("alive")]
    assert first == pytest.approx(5000, rel=0.02)
    assert last == pytest.approx(4600, rel=0.02)
