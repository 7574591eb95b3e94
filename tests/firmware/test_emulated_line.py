"""The serial line and the chip's own life on the emulated chip: overruns, rates, resets, EEPROM, watchdog."""

from __future__ import annotations

import random

import pytest
from firmware.emulated import ask, bench, line_us, needs_emulator
from wire.vector_files import blocks, has, only, raw

pytestmark = needs_emulator

BAUDS = (115_200, 500_000, 1_000_000)
SET = "set l_app=1F4 l_rwy=1F4 l_twy=0C8 l_stp=3E8"  # its answer is shorter: the line has room for notifications
TIMSK1 = 0x6F  # ATmega328P data sheet, register summary


@pytest.mark.parametrize("baud", BAUDS)
def test_a_window_kept_full_loses_nothing(baud: int) -> None:
    log = bench(baud=baud).run(
        [
            *("50000 rx " + ask(1, "set l_app=1F4 l_rwy=07B d_dir=7E306D"), "90000 chatter sw_ap 80 12100"),
            *("100000 window 112 " + ask(5, SET), "1100000 window 0", "1200000 overruns"),
            *("1200000 windows", "1200000 scans", "2500000 end"),
        ]
    )
    log.good()
    window, overruns = log.numbers("windows")[0], log.numbers("overruns")[0]
    assert window["sent"] == window["answered"] == len(log.answers("set")) - 1
    # as fast as the slower of the line and the chip goes
    assert window["sent"] > 0.9 * 1_000_000 / max(line_us(len(ask(5, SET)) + 1, baud), 2_500)
    assert overruns["lost"] == 0
    bad, dropped = (int(word, 16) for word in log.notifications("alive")[-1].words[3:5])
    assert bad == 0
    # Answers go before notifications: where the line is quicker than the chip, these may find no room, and are counted.
    assert dropped == sum(int(line.words[1], 16) for line in log.notifications("lost"))
    assert len(log.moved("sw_ap")) + dropped == 80
    assert baud > 115_200 or dropped == 0
    numbers = [line.parsed.number for line in log.notifications()]
    assert numbers == list(range(len(numbers)))
    scans = log.numbers("scans")[0]
    assert scans["mean"] == pytest.approx(400, abs=0.5)
    assert scans["longest"] <= 450


@pytest.mark.parametrize("baud", BAUDS)
def test_the_rate_of_the_build(baud: int) -> None:
    """115200 is UBRR 16, +2.1 %; 500 k and 1 M are exact (ATmega328P data sheet, baud-rate tables)."""
    assert 1e7 / line_us(1, baud) / baud - 1 == pytest.approx({115_200: 0.0212}.get(baud, 0.0), abs=0.0005)
    # Two answers back to back: the second begins where the first ends.
    log = bench(baud=baud).run(
        ["100000 hex " + ((ask(1, "item 04") + "\n") * 2).encode().hex(), "300000 end"],
    )
    first, second = log.answers("item")
    apart = second.at_us - first.at_us
    assert apart > 0.99 * line_us(len(first.line) + 1, baud)
    assert baud > 115_200 or apart < 1.02 * line_us(len(first.line) + 1, baud)


BAD = [block for block in blocks("lines-bad.txt") if only(block, "from") == "host" and not has(block, "lenient")]


def test_every_broken_line_of_the_vectors_is_counted_once_and_never_answered() -> None:
    script = ["50000 rx " + ask(1, "alive 0064")]
    at = 100_000
    for block in BAD:
        script.append(f"{at} hex {raw(only(block, 'bytes')).hex()}0A")
        at += 20_000
    log = bench().run([*script, f"{at + 300_000} end"])
    assert len(BAD) > 15
    assert len(log.answers()) == 1
    assert int(log.notifications("alive")[-1].words[3], 16) == len(BAD)


def test_ping_stamps_are_the_line_end_and_the_first_byte() -> None:
    log = bench().run(
        [
            *(f"{100000 + 13037 * n} rx " + ask(1 + n, "ping 0 0".replace("0", "00000000")) for n in range(40)),
            "700000 clock",
        ]
    )
    zero = float(log.replies("clock")[0])
    begun = [100_000 + 13_037 * n for n in range(40)]
    pings = log.answers("ping")
    assert len(pings) == 40
    for at, line in zip(begun, pings, strict=True):
        received, sent = (int(word, 16) + zero for word in line.words[1:])
        assert -60 < received - (at + 33 * 86.8) < 60  # the chip has a byte in the middle of its stop bit
        assert abs(sent - line.at_us) < 60


# --- resets ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("cause", ["power", "reset", "brownout", "watchdog", "unknown"])
def test_the_cause_of_a_reset_is_told(cause: str) -> None:
    log = bench().run([f"200000 reset {cause}", "400000 end"])
    first, second = log.notifications("boot")
    assert second.words[2] == cause
    assert int(second.words[1], 16) == int(first.words[1], 16) + 1
    assert second.parsed.number == 0


def test_lamps_are_dark_while_the_chip_is_reset_and_stay_so() -> None:
    log = bench().run(
        [
            "100000 rx " + ask(1, "set l_app=3E8 d_dir=7F7F7F"),
            "200000 reset",
            "200500 since l_app",
            "300000 lit",
            "300000 shown",
        ]
    )
    assert "lit=0" in log.replies("since l_app")[0]
    assert "l_app=0" in log.replies("lit")[0]
    assert "d_dir=000000" in log.replies("shown")[0]


def test_a_program_gone_mad_is_reset_by_the_watchdog() -> None:
    """The scan's interrupt is taken away; the main loop goes on, and the watchdog must not be fooled by it."""
    log = bench().run(
        ["300000 rx " + ask(1, "set l_app=3E8"), f"500000 poke {TIMSK1:X} 00", "1500000 resets", "1500000 lit"]
    )
    assert [line.words[2] for line in log.notifications("boot")] == ["power", "watchdog"]
    assert log.replies("resets") == ["1"]
    assert "l_app=0" in log.replies("lit")[0]


@pytest.mark.parametrize(
    "left", ["00", "FF", "55AA", "6465736B", *(random.Random(seed).randbytes(64).hex() for seed in range(3))]
)
def test_an_eeprom_that_another_sketch_used_makes_no_bad_hello(left: str) -> None:
    log = bench().run(
        [
            *(f"1000 erase {left}", "2000 reset power"),
            *("200000 rx " + ask(1, "hello"), "300000 rx " + ask(2, "item 00"), "1400000 end"),
        ]
    )
    log.good()
    (hello,), (item,) = log.answers("hello"), log.answers("item")
    assert hello.words[5] == "desk"
    assert set(item.words) >= {"ident=desk", "name=Ostrey%20desk"}
    assert log.notifications("boot")[-1].words[1] == hello.words[4]


def test_ident_and_name_are_kept() -> None:
    log = bench().run(
        [
            *("100000 rx " + ask(1, "ident tower7"), "500000 rx " + ask(2, "name Mets%20desk"), "1000000 reset power"),
            *("1200000 rx " + ask(3, "hello"), "1300000 rx " + ask(4, "item 00"), "1400000 end"),
        ]
    )
    assert log.answers("ident")[0].words == ("ident", "tower7")
    assert log.answers("ident")[0].at_us < 350_000
    assert log.answers("name")[0].at_us < 750_000
    assert log.answers("hello")[0].words[5] == "tower7"
    assert set(log.answers("item")[0].words) >= {"ident=tower7", "name=Mets%20desk"}
