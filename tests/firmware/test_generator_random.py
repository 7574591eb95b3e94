"""Whatever small panel comes: the generator writes files that agree with each other, or refuses and says where."""

from __future__ import annotations

import re
import shutil
import subprocess
import tempfile
from pathlib import Path

import pytest
from hypothesis import event, given, settings
from hypothesis import strategies as st

from benchcon.errors import Trouble
from benchcon.firmware import folder
from benchcon.firmware.board_plan import Plan
from benchcon.firmware.panel_map import header, source
from benchcon.firmware.plan import Refused, plan
from benchcon.panel.file import loads
from benchcon.wire.codec import LINE_MOST
from benchcon.wire.quote import unquote

PINS = st.one_of(
    st.integers(0, 15).map(lambda n: f"D{n}"),
    st.integers(0, 8).map(lambda n: f"A{n}"),
    st.integers(0, 17).map(lambda n: f"165.{n}"),
    st.integers(0, 17).map(lambda n: f"595.{n}"),
    st.integers(0, 15).map(lambda n: f"7219.{n}"),
    st.tuples(st.integers(0, 3), st.integers(0, 3)).map(lambda at: f"keys.r{at[0]}c{at[1]}"),
    st.just(""),
)
# Every character that a text of a panel file may hold and that C, make, Markdown or the wire could stumble over.
LABELS = st.text(st.sampled_from("aZ0 %=#@<>!?\\\"/'$`|*_-~äß“日🙂"), min_size=1, max_size=40)
FITTING = {
    "contact": ["D2", "D3", "D4", "165.1", "165.6", "keys.r0c0", "keys.r2c1"],
    "encoder": ["D6", "D7", "165.0", "165.7", "165.3", "165.2"],
    "pot": ["A6", "A7"],
    "lamp": ["D8", "595.0", "595.7", "595.4"],
    "display": ["7219.0"],
}


def quoted(text: str) -> str:
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


@st.composite
def panels(draw: st.DrawFn) -> str:
    careful = draw(st.booleans())  # pins that the part can have and that nobody else has
    chip = draw(st.sampled_from(["atmega328p", "atmega2560", ""][: 2 if careful else 3]))
    spi = {"atmega328p": ("D11", "D13", "D12"), "atmega2560": ("D51", "D52", "D50")}.get(chip, ("D2", "D3", "D4"))
    lines = ["[boards.desk]", f"label = {quoted(draw(LABELS)[:24])}", f'budget = "{draw(st.integers(5, 400))} mA"']
    lines += [f'chip = "{chip}"'] if chip else []
    for kind, data in (("165", spi[2]), ("595", spi[0]), ("7219", spi[0])):
        if careful:
            load = {"165": "A4", "595": "D10", "7219": "D9"}[kind]
            clock = "A5" if kind == "165" else spi[1]
            lines.append(f'chains.{kind} = {{ data = "{data}", clock = "{clock}", load = "{load}" }}')
        elif draw(st.booleans()):
            clock = draw(st.sampled_from([spi[1], "A5", ""])) if kind == "165" else spi[1]
            load = draw(st.sampled_from(["D10", "D9", "D8", "D7", "A4"]))
            chips = draw(st.integers(1, 3))
            lines.append(f'chains.{kind} = {{ data = "{data}", clock = "{clock}", load = "{load}", chips = {chips} }}')
    if careful or draw(st.booleans()):
        lines += [
            "[matrices.keys]",
            'rows = ["A0", "A1", "A2"]',
            'columns = ["A3", "D5"]',
            f"diodes = {draw(st.sampled_from(['true', 'false']))}",
        ]
    pools = {kind: draw(st.permutations(pins)) for kind, pins in FITTING.items()}
    for number in range(draw(st.integers(0, 8))):
        kind = draw(st.sampled_from(["button", "switch", "encoder", "pot", "lamp", "display"]))
        table = {"lamp": "lamps", "display": "display"}.get(kind, "controls")
        pool = pools[kind if kind in FITTING else "contact"]

        def pin(pool: list[str] = pool) -> str:
            return pool.pop() if careful and pool else draw(PINS)

        where = pin()
        if kind == "encoder" and where:
            where = f"{where}/{pin() or 'D2'}"
        lines += [f"[{table}.p{number}]", f"label = {quoted(draw(LABELS))}"]
        lines += [f'kind = "{kind}"'] if table == "controls" else []
        lines += [f"digits = {draw(st.integers(1, 8))}"] if kind == "display" else []
        most = 8 if careful else 45
        lines += [f'current = "{draw(st.integers(1, most))} mA"'] if kind == "lamp" else []
        lines += ['segment_current = "0.3 mA"'] if kind == "display" else []
        lines += ["wired = false"] if draw(st.integers(0, 5)) == 0 else []
        active = ', active = "high"' if draw(st.booleans()) else ""
        lines.append(f'channel = {{ id = "desk.c{number}", pin = "{where}"{active} }}')
    return "\n".join([*lines, ""])


def texts_of(c: str) -> dict[str, str]:
    """Slot → text as the chip will have it, read back from the C source by a reader of our own."""
    found = {}
    for name, words in re.findall(r"^TEXT\((t_\d+), (.*)\);$", c, re.MULTILINE):
        parts = re.findall(r'PIN|COLOUR|LABEL|"(?:[^"\\]|\\.)*"', words)
        keys = {"PIN": " pin=", "COLOUR": " colour=", "LABEL": " label="}
        found[name] = "".join(keys.get(part) or re.sub(r"\\(.)", r"\1", part[1:-1]) for part in parts)
    return found


def check_map(made: Plan, h: str, c: str) -> None:
    defined = dict(re.findall(r"^#define (\w+) (-?\w+)$", h, re.MULTILINE))
    body = c.split("panel_slots[]")[1].split("};")[0]
    cells = re.findall(r"\{(t_\d+|0), [^}]*\}|BB_SPARE", body)
    slots = 8 * int(defined["PANEL_INPUT_BYTES"]) + 8 * int(defined["PANEL_LAMP_BYTES"])
    slots += sum(int(defined[f"PANEL_{kind}"]) for kind in ("ENCODERS", "POTS", "DISPLAYS"))
    assert len(cells) == slots == made.slots
    texts = texts_of(c)
    ids = [text.split(" ")[0] for text in texts.values()]
    parts = [*made.contacts, *made.encoders, *made.pots]
    wanted = [each.channel.id for each in parts]
    wanted += [output.lamp.channel.id for output in made.lamps] + [each.display.channel.id for each in made.displays]
    assert sorted(ids) == sorted(wanted)
    labels = {each.channel.id: each.control.label for each in parts}
    labels |= {output.lamp.channel.id: output.lamp.label for output in made.lamps}
    labels |= {each.display.channel.id: each.display.label for each in made.displays}
    for text in texts.values():
        assert len(f"<00 item 00 display {text} #0000") <= LINE_MOST
        assert text.isascii()
        words = dict(word.split("=", 1) for word in text.split(" ")[1:])
        assert labels[text.split(" ")[0]].startswith(unquote(words.get("label", "")))
    # Each pin of the chip has one use.
    uses = re.findall(r"X\(\d+, ([A-L]), (\d)\)", h) + re.findall(r"^#define PANEL_\w+ ([A-L]), (\d)", h, re.MULTILINE)
    shared = {chain.clock for chain in (made.chain_165, made.chain_595, made.chain_7219) if chain}
    assert len(uses) - len(set(uses)) <= len(shared)


CC = shutil.which("cc")


def compiles(wanted: dict[str, bytes]) -> None:
    """The map is good C99 without a warning (trigraphs, empty tables, escapes)."""
    with tempfile.TemporaryDirectory() as folder:
        for name, raw in wanted.items():
            if (name.startswith("benchboard/") and name.endswith(".h")) or name.endswith("panel_map.c"):
                Path(folder, Path(name).name).write_bytes(raw)
        strict = ["-std=c99", "-pedantic", "-Wall", "-Wextra", "-Werror", "-fsyntax-only"]
        Path(folder, "all.c").write_text('#include "benchboard.h"\n#include "panel_map.c"\n')
        done = subprocess.run([str(CC), *strict, "all.c"], cwd=folder, capture_output=True, text=True, timeout=60)
        assert done.returncode == 0, done.stderr


@settings(max_examples=150, deadline=None)
@given(panels())
@pytest.mark.slow
def test_files_or_a_refusal_that_names_a_line(text: str) -> None:
    refused: list[str] = []
    try:
        panel = loads(text, "desk.toml")
        made, advice = plan(panel, "desk")
    except Refused as trouble:
        refused = [str(finding) for finding in trouble.findings]
    except Trouble as trouble:
        refused = [str(trouble)]
    event("refused" if refused else "built")
    for line in refused:
        assert re.match(r"desk\.toml:[1-9]\d*: \S", line)
        assert line.isprintable()
    if refused:
        return
    wanted = folder.files(made, 115_200, advice)
    check_map(made, header(made), source(made))
    assert wanted["wiring.txt"].decode().replace("\n", "").isprintable()
    assert all(finding.line > 0 for finding in advice)
    if CC:
        compiles(wanted)
