"""The desk on the emulated ATmega328P: memory with the stack's high-water mark under all the load there is."""

from __future__ import annotations

import subprocess

import pytest
from firmware.emulated import ask, bench, needs_emulator

pytestmark = needs_emulator

EVERYTHING = (
    "set l_app=1F4 l_rwy=07B l_twy=3E8 d_dir=7E306D d_spd=7933",
    "item 05",
    "read all 0A",
    "read sw_ap e_prs p_vol l_app d_prs",
    "raw sw_ap=1 e_prs=1 p_vol=1",
    "ping 00000000 00000000",
    "name Ostrey%20desk%20two",
    "wink",
    "item 00",
    "set d_prs=7E306DF933 l_bat=123",
    "hello",
    "zzz a b c",
    "deadman 2000",
    "alive 0064",
)


@pytest.mark.parametrize("baud", [115_200, 1_000_000])
def test_ram_with_the_deepest_stack(baud: int) -> None:
    chip = bench(baud=baud)
    script, at = [], 60_000
    for n, words in enumerate(EVERYTHING * 4):
        script.append(f"{at} rx {ask(1 + n, words)}")
        at += 130_000 if words.startswith("name") else 12_000  # it is written to EEPROM byte by byte
    script += [
        *(f"{at + 10_000 * n} turn e_prs {(-1) ** n * 3}" for n in range(6)),
        *(f"70000 chatter {id_} 900 {period}" for id_, period in (("b_tst", 700), ("sw_ap", 900), ("int1", 1100))),
        f"{at + 100_000} rx {ask(0xF0, 'dark')}",
        f"{at + 200_000} stack",
        f"{at + 200_000} overruns",
        f"{at + 200_000} end",
    ]
    log = chip.run(script)
    log.good()
    assert len(log.answers()) == len(EVERYTHING) * 4 + 1
    assert log.numbers("overruns")[0]["lost"] == 0
    done = subprocess.run(["avr-size", str(chip.elf)], capture_output=True, text=True, check=True)
    static = sum(int(word) for word in done.stdout.splitlines()[1].split()[1:3])
    (stack,) = (int(word) for word in log.replies("stack"))
    assert stack > 50
    assert static + stack <= 1.2 * 1024
