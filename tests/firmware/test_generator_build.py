"""What `benchcon firmware` writes is compiled and run: the board must describe itself as the panel file says."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from few import few_of
from firmware.generator_panels import DESKS, demo_plan, everything, planned

from benchcon.conform import WireSide
from benchcon.firmware import folder, limits, tools
from benchcon.firmware.board_plan import Plan
from benchcon.rig.hand import Hand
from benchcon.wire.items import Item, item_of

needs_cc = pytest.mark.skipif(
    shutil.which("cc") is None or shutil.which("make") is None,
    reason="the native build needs a C compiler and make; on Debian: apt-get install gcc make",
)
needs_avr = pytest.mark.skipif(bool(tools.missing(tools.COMPILERS)), reason=tools.missing(tools.COMPILERS))


def written(plan: Plan, where: Path) -> Path:
    out = where / "build folder"  # a space, as people's folders have
    folder.write(out, folder.files(plan))
    return out


@contextmanager
def native(out: Path) -> Iterator[tuple[WireSide, Hand]]:
    """The native build of a folder, running, with its port open."""
    made = subprocess.run(["make", "native", "NATIVE_FLAGS=-O0"], cwd=out, capture_output=True, text=True, timeout=120)
    assert made.returncode == 0, made.stderr
    board = subprocess.Popen([str(out / "build" / "benchboard-native")], stdout=subprocess.PIPE, text=True)
    try:
        assert board.stdout is not None
        _, port, control = board.stdout.readline().split()
        line = WireSide(port)
        hand = Hand(control)
        try:
            yield line, hand
        finally:
            hand.close()
            line.close()
    finally:
        board.terminate()
        board.wait(20)


def described(line: WireSide) -> list[Item]:
    """Every item, asked over the wire."""
    hello = line.ask("hello", seconds=20)
    assert hello is not None
    found = []
    for index in range(int(hello.words[2], 16)):
        answer = line.ask("item", f"{index:02X}", seconds=20)
        assert answer is not None
        item = item_of(answer.words)
        assert item is not None
        found.append(item)
    return found


def pins_of(plan: Plan) -> dict[str, str]:
    """Channel id → pin, for every part of the plan's board, straight from the panel."""
    panel, board = plan.panel, plan.board.name
    channels = [channel for control in panel.controls for channel in control.channels]
    channels += [part.channel for part in (*panel.lamps, *panel.displays)]
    return {channel.id: channel.wire.pin for channel in channels if channel.board == board}


@needs_cc
@pytest.mark.parametrize("desk", few_of(DESKS))
def test_a_generated_desk_describes_itself_as_the_panel_file_says(desk: str, tmp_path: Path) -> None:
    plan = demo_plan(desk)
    panel = plan.panel
    with native(written(plan, tmp_path)) as (line, _):
        items = described(line)
    about = {item.kind: item.detail for item in items if not item.id}
    assert about["board"] == {"ident": desk, "name": plan.board.label}
    assert about["model"] == {"text": plan.board.label, "chip": "atmega328p"}
    channels = {item.id: item for item in items if item.id}
    assert {id_: item.detail["pin"] for id_, item in channels.items()} == pins_of(plan)
    for control in panel.controls:
        for channel in control.channels:
            if channel.board != desk:
                continue
            item = channels[channel.id]
            kind = {"encoder": "encoder", "pot": "pot"}.get(control.kind, "contact")
            assert item.kind == kind
            if kind == "encoder":
                assert item.number("det") == control.detent_counts
            elif kind == "pot":
                assert item.number("top") == 1023
            else:
                assert item.detail["inv"] == "1"  # a pull-up, and a contact to ground: the panel file's default
                assert item.number("deb") == 10
                assert item.detail["raw"] == ("2" if channel.wire.pin.startswith("165") else "1")
            assert control.label.startswith(item.detail["label"][: len(control.label)])
    for lamp in panel.lamps:
        if lamp.channel.board == desk:
            item = channels[lamp.channel.id]
            assert (item.kind, item.detail["dim"], item.detail["colour"]) == ("lamp", "1", lamp.colour)
            # A line holds 80 bytes: a long label is cut off at its end, never elsewhere.
            assert lamp.label.startswith(item.detail["label"])
            assert len(item.detail["label"]) >= 8
    for display in panel.displays:
        if display.channel.board == desk:
            item = channels[display.channel.id]
            assert (item.kind, item.number("digits"), item.detail["label"]) == (
                "display",
                display.digits,
                display.label,
            )


@needs_cc
def test_every_kind_of_part_is_worked_through_the_generated_map(tmp_path: Path) -> None:
    plan = planned(everything("atmega328p"))
    with native(written(plan, tmp_path)) as (line, hand):
        channels = {item.id: item for item in described(line) if item.id}
        assert {id_: item.kind for id_, item in channels.items()} == {
            "direct": "contact",
            "high": "contact",
            "far_l": "contact",
            "far_r": "contact",
            "key": "contact",
            "turn": "encoder",
            "turn_far": "encoder",
            "dim": "pot",
            "near": "lamp",
            "plain": "lamp",
            "remote": "lamp",
            "number": "display",
        }
        assert channels["direct"].number("deb") == 25
        assert "inv" not in channels["high"].detail
        assert "inv" not in channels["far_r"].detail
        assert channels["turn"].detail["raw"] == "1"
        assert channels["turn_far"].detail["raw"] == "2"
        assert "raw" not in channels["key"].detail
        assert "dim" not in channels["plain"].detail
        assert channels["near"].detail["label"] == 'Wh??/ "\\%'
        assert "Ferne Lampe äöü mit einem sehr langen Namen".startswith(channels["remote"].detail["label"])
        for id_ in ("direct", "high", "far_l", "far_r", "key"):
            since = len(line.notifications)
            hand.press(id_)
            told = line.await_notification("is", 20, since)
            assert told is not None
            assert told.words == ("is", f"{id_}=1")
        for id_, count in (("turn", 2), ("turn_far", 4)):
            hand.turn(id_, 1)
            answer = line.ask("read", id_, seconds=20)
            while answer is not None and answer.words[-1] != f"{id_}={count:04X}":
                line.pump(0.02)
                answer = line.ask("read", id_, seconds=20)
            assert answer is not None
        assert line.ask("set", "near=3E8", "remote=1F4", "number=7E306D", seconds=20) is not None
        lit = hand.lit()
        assert (lit["near"], lit["plain"], lit["remote"]) == (1000, 0, 500)
        assert hand.shown("number") == bytes.fromhex("7E306D")  # “012”: MAX7219 data sheet, table 5


@needs_avr
@pytest.mark.parametrize("desk", few_of(DESKS))
def test_a_generated_desk_compiles_for_its_chip_and_fits(desk: str, tmp_path: Path) -> None:
    plan = demo_plan(desk)
    out = written(plan, tmp_path)
    memory = tools.build(out)
    assert limits.too_much(plan, "ostrey.toml", memory) == []
    # The estimate that stands in where there is no compiler is on the safe side, and not by more than half.
    estimate = limits.estimate(plan)
    assert memory.flash_bytes <= estimate.flash_bytes <= 1.5 * memory.flash_bytes
    assert memory.ram_bytes <= estimate.ram_bytes <= 1.5 * memory.ram_bytes
    assert (out / "build" / "benchboard.hex").read_text().endswith(":00000001FF\n")  # the end record of Intel HEX


@needs_avr
@pytest.mark.parametrize("chip", ["atmega328p", "atmega2560"])
def test_every_kind_of_part_compiles_for_both_chips(chip: str, tmp_path: Path) -> None:
    plan = planned(everything(chip))
    memory = tools.build(written(plan, tmp_path))
    assert memory.flash_bytes <= limits.estimate(plan).flash_bytes
    assert memory.ram_bytes <= limits.estimate(plan).ram_bytes


@pytest.mark.slow
@needs_avr
def test_an_atmega328pb_gets_the_program_of_the_atmega328p_and_its_own_signature(tmp_path: Path) -> None:
    folders = {}
    for chip in ("atmega328p", "atmega328pb"):
        (tmp_path / chip).mkdir()
        text = everything("atmega328p").replace("atmega328p", chip)
        folders[chip] = written(planned(text), tmp_path / chip)
        tools.build(folders[chip])
    programs = {chip: (at / "build" / "benchboard.hex").read_text().splitlines() for chip, at in folders.items()}
    # Alike but for what the board says of its chip, and where the text behind it has moved by the letter more.
    small, large = (len(programs[chip]) for chip in ("atmega328p", "atmega328pb"))
    assert abs(small - large) <= 1
    told = (folders["atmega328pb"] / "Makefile").read_text()
    assert "avrdude -p $(PART)" in told
    assert "PART := atmega328pb\n" in told


@needs_avr
def test_an_empty_board_compiles(tmp_path: Path) -> None:
    tools.build(written(planned('[boards.desk]\nchip = "atmega328p"\n'), tmp_path))


ARDUINO = Path("/usr/share/arduino/hardware/arduino/avr")


@pytest.mark.slow
@pytest.mark.skipif(
    not ARDUINO.is_dir() or bool(tools.missing(tools.COMPILERS)),
    reason="the sketch is compiled with Debian's Arduino core: apt-get install arduino-core-avr gcc-avr avr-libc make",
)
@pytest.mark.parametrize("desk", DESKS)
def test_the_folder_is_a_sketch_that_the_arduino_core_compiles(desk: str, tmp_path: Path) -> None:
    """With the options of the core's own platform.txt; the sketch's file becomes C++, all beside it is compiled."""
    sketch = written(demo_plan(desk), tmp_path) / "benchboard"
    core = ARDUINO / "cores" / "arduino"
    flags = ["-c", "-Os", "-w", "-ffunction-sections", "-fdata-sections", "-flto", "-mmcu=atmega328p"]
    flags += ["-DF_CPU=16000000L", "-DARDUINO=10819", "-DARDUINO_AVR_UNO", "-DARDUINO_ARCH_AVR"]
    flags += [f"-I{core}", f"-I{ARDUINO / 'variants' / 'standard'}", f"-I{sketch}"]
    program = tmp_path / "benchboard.cpp"
    program.write_text("#include <Arduino.h>\n" + (sketch / "benchboard.ino").read_text())
    objects = []
    sources = [program, *sketch.glob("*.c"), core / "main.cpp", core / "wiring.c", core / "hooks.c"]
    for number, source in enumerate(sources):
        objects.append(str(tmp_path / f"{number}.o"))
        c = ["avr-gcc", "-std=gnu11", "-fno-fat-lto-objects"]
        cpp = ["avr-g++", "-std=gnu++11", "-fpermissive", "-fno-exceptions", "-fno-threadsafe-statics"]
        command = [*(c if source.suffix == ".c" else cpp), *flags, str(source), "-o", objects[-1]]
        done = subprocess.run(command, capture_output=True, text=True, timeout=120)
        assert done.returncode == 0, f"{source.name}: {done.stderr}"
    link = ["avr-gcc", "-w", "-Os", "-flto", "-fuse-linker-plugin", "-Wl,--gc-sections", "-mmcu=atmega328p"]
    done = subprocess.run(
        [*link, "-o", str(tmp_path / "sketch.elf"), *objects, "-lm"], capture_output=True, text=True, timeout=120
    )
    assert done.returncode == 0, done.stderr
