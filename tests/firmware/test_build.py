"""The firmware as a builder makes it: both chips, strictly, within their memory; the sketch; CRC and fuzz."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest
from firmware.virtual import FIRMWARE, PANELS, built, make, needs_compiler, room

_AVR = {"make": "make", "avr-gcc": "gcc-avr", "avr-size": "binutils-avr", "avr-objcopy": "binutils-avr"}
_MISSING = sorted({package for tool, package in _AVR.items() if shutil.which(tool) is None})
if not Path("/usr/lib/avr/include/avr/io.h").exists():
    _MISSING.append("avr-libc")

needs_avr = pytest.mark.skipif(
    bool(_MISSING), reason=f"building for the chips needs a tool chain; on Debian: apt-get install {' '.join(_MISSING)}"
)
ARDUINO = Path("/usr/share/arduino/hardware/arduino/avr")
RAM_BYTES = {"atmega328p": 2048, "atmega2560": 8192}  # data sheets, memories


def sizes(panel: str, chip: str, baud: int = 115_200) -> tuple[int, int]:
    """Flash and static RAM in bytes, from avr-size. The build itself is strict, conversions included, and `-Werror`."""
    make("avr", f"PANEL={PANELS[panel]}", f"CHIP={chip}", f"BAUD={baud}")
    elf = room() / "avr" / panel / f"{chip}-{baud}" / "benchboard.elf"
    done = subprocess.run(["avr-size", str(elf)], capture_output=True, text=True, check=True)
    text, data, bss = (int(word) for word in done.stdout.splitlines()[1].split()[:3])
    return text + data, data + bss


@needs_avr
def test_the_desk_of_the_figures_fits_the_atmega328p() -> None:
    """12 inputs through 74HC165, an encoder, 2 potentiometers, 8 lamps through a 74HC595, 3 displays."""
    flash, ram = sizes("desk", "atmega328p")
    assert flash <= 16 * 1024
    # 1.2 KB with the stack, whose high-water mark is measured in the emulator; 230 bytes are kept for it here.
    assert ram <= 1228 - 230


@needs_avr
@pytest.mark.parametrize("chip", RAM_BYTES)
@pytest.mark.parametrize("panel", ["desk", "reference"])
def test_every_panel_builds_for_both_chips(panel: str, chip: str) -> None:
    flash, ram = sizes(panel, chip)
    assert 8_000 < flash <= 16 * 1024
    assert ram < RAM_BYTES[chip] // 2


@needs_avr
@pytest.mark.parametrize(("baud", "divider", "error"), [(115_200, 16, 0.021), (500_000, 3, 0.0), (1_000_000, 1, 0.0)])
def test_baud_rates_are_those_of_the_data_sheet(baud: int, divider: int, error: float) -> None:
    """ATmega328P data sheet, baud-rate table at 16 MHz, double speed: UBRR and error."""
    program = (
        '#include "avr_serial.c"\n'
        f'_Static_assert(UBRR_VALUE == {divider}, "divider");\n'
        "bb_board avr_board;\nvolatile uint32_t avr_clock_high;\nint main(void) { return 0; }\n"
    )
    includes = [f"-I{FIRMWARE / folder}" for folder in ("avr", "core", "panels/desk")]
    flags = [
        "-std=gnu99",
        "-Os",
        "-mmcu=atmega328p",
        "-DF_CPU=16000000ul",
        f"-DBAUD={baud}",
        "-fsyntax-only",
        "-x",
        "c",
        "-",
    ]
    done = subprocess.run(["avr-gcc", *includes, *flags], input=program, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert 16e6 / 8 / (divider + 1) / baud - 1 == pytest.approx(error, abs=0.001)


CRC = r"""
#include <avr/io.h>
#include <avr/interrupt.h>
#include <avr/sleep.h>
#include <util/crc16.h>
#include "benchboard.h"

static void say(char c)
{
    while (!(UCSR0A & (1 << UDRE0))) {
    }
    UDR0 = c;
}

int main(void)
{
    const char *text = "123456789";
    uint16_t ours = 0xFFFF, theirs = 0xFFFF, state = 1;
    uint8_t same = 1, i;
    uint32_t n;

    UCSR0B = 1 << TXEN0;
    for (i = 0; i < 9; i++) {
        ours = bb_check(ours, text[i]);
        theirs = _crc_xmodem_update(theirs, text[i]);
    }
    for (n = 0; n < 20000; n++) {
        state = state * 25173u + 13849u;
        ours = bb_check(ours, state >> 8);
        theirs = _crc_xmodem_update(theirs, state >> 8);
        if (n == 0) {
            continue;
        }
        same &= ours == theirs;
    }
    ours = 0xFFFF;
    for (i = 0; i < 9; i++) {
        ours = bb_check(ours, text[i]);
    }
    say(same ? 'S' : 'D');
    for (i = 0; i < 4; i++) {
        say("0123456789ABCDEF"[ours >> 12]);
        ours <<= 4;
    }
    say('\n');
    cli();
    sleep_mode();
    return 0;
}
"""


@needs_avr
@pytest.mark.skipif(
    shutil.which("simavr") is None, reason="runs on the emulated chip; on Debian: apt-get install simavr"
)
def test_our_crc_beside_avr_libcs_own_on_the_chip(tmp_path: Path) -> None:
    """avr-libc's `_crc_xmodem_update` is the same polynomial (1021h, not reflected), here started from FFFFh as well;
    of `123456789` the catalogue of parametrised CRC algorithms gives 29B1 for CRC-16/IBM-3740."""
    (tmp_path / "crc.c").write_text(CRC)
    includes = [f"-I{FIRMWARE / folder}" for folder in ("core", "panels/desk")]
    sources = [str(tmp_path / "crc.c"), str(FIRMWARE / "core" / "print.c")]
    flags = ["-std=gnu99", "-Os", "-mmcu=atmega328p", "-DF_CPU=16000000ul", "-ffunction-sections", "-Wl,--gc-sections"]
    elf = tmp_path / "crc.elf"
    subprocess.run(["avr-gcc", *flags, *includes, *sources, "-o", str(elf)], check=True, capture_output=True)
    done = subprocess.run(
        ["simavr", "-m", "atmega328p", "-f", "16000000", str(elf)], capture_output=True, text=True, timeout=60
    )
    assert "S29B1" in done.stdout + done.stderr


@needs_avr
@pytest.mark.skipif(
    not ARDUINO.is_dir(), reason="the sketch is compiled with Debian's Arduino core: apt-get install arduino-core-avr"
)
@pytest.mark.slow
@pytest.mark.parametrize("chip", RAM_BYTES)
def test_the_sketch_compiles_as_the_arduino_tool_chain_does(chip: str) -> None:
    make("sketch-check", f"PANEL={PANELS['desk']}", f"CHIP={chip}")
    done = subprocess.run(
        ["avr-size", str(room() / "sketch" / f"desk-{chip}" / "sketch.elf")], capture_output=True, text=True, check=True
    )
    assert int(done.stdout.splitlines()[1].split()[0]) < 15_000


@needs_compiler
@pytest.mark.parametrize("count", [20_000, pytest.param(1_000_000, marks=pytest.mark.slow)])
def test_made_up_lines_break_no_rule(count: int) -> None:
    """Good, mutated and torn lines and noise, with hands at the controls, under sanitizers."""
    make(str(room() / "native" / "reference" / "fuzz-lines"), f"PANEL={PANELS['reference']}")
    program = room() / "native" / "reference" / "fuzz-lines"
    done = subprocess.run([str(program), str(count), "3"], capture_output=True, text=True, timeout=900)
    assert done.returncode == 0, done.stderr[-4000:]
    assert re.fullmatch(rf"{count} lines in, \d+ out, no rule broken\n", done.stdout)


@pytest.mark.slow
@needs_compiler
@pytest.mark.skipif(
    shutil.which("clang") is None, reason="libFuzzer comes with clang; on Debian: apt-get install clang"
)
def test_a_minute_of_guided_fuzzing_finds_nothing(tmp_path: Path) -> None:
    program = built("reference", "fuzz", "fuzz")
    done = subprocess.run(
        [str(program), "-max_total_time=60", "-max_len=600", "-seed=5", str(tmp_path)],
        capture_output=True,
        text=True,
        timeout=600,
        cwd=tmp_path,
    )
    assert done.returncode == 0, done.stderr[-4000:]
