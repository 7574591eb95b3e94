"""`protocols/panel-file.md` tells the truth: its examples can be opened, and it names every key there is."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

from benchcon.cli.main import main
from benchcon.panel.file import inspect, loads
from benchcon.panel.model import Channel, Display
from benchcon.panel.segments import format_number
from benchcon.protocol_files import protocols_dir

TEXT = (protocols_dir() / "panel-file.md").read_text()


def blocks() -> list[str]:
    found = re.findall(r"(?m)(?:^    .*\n(?:\n(?=    ))?)+", TEXT)
    return [re.sub(r"(?m)^    ", "", block) for block in found]


def test_the_first_example_can_be_opened_without_a_word() -> None:
    panel, findings = inspect(blocks()[0], "desk.toml")
    assert findings == []
    assert panel is not None
    assert [part.name for part in panel.parts] == ["stop_bar", "stop_bar_lit"]


def test_the_other_examples_belong_to_good_files() -> None:
    chains = next(block for block in blocks() if "chains.165" in block)
    matrix = next(block for block in blocks() if "[matrices.keys]" in block)
    assert [chain.chips for chain in loads(chains).boards[0].chains] == [2, 1, 2]
    assert loads(f"[boards.desk]\n{matrix}").matrices[0].columns == ("D6", "D7", "D8")


TABLES = {"panel", "boards", "controls", "lamps", "display", "displays", "matrices", "triggers", "channel"}


def examples() -> list[tuple[str, str]]:
    """Every example of a panel file in any document that comes with the program: its document, and its text."""
    found = []
    for path in [*sorted(protocols_dir().rglob("*.md")), *Path(__file__).parents[2].glob("*.md")]:
        for block in re.findall(r"(?m)(?:^    .*\n(?:\n(?=    ))?)+", path.read_text()):
            text = re.sub(r"(?m)^    ", "", block)
            try:
                keys = set(tomllib.loads(text))
            except tomllib.TOMLDecodeError:
                continue
            if keys <= {
                "panel",
                "boards",
                "controls",
                "lamps",
                "display",
                "displays",
                "matrices",
                "triggers",
                "channel",
            }:
                found.append((path.name, text))
    return found


def whole(text: str) -> str:
    """An example with the board, and the parts of the first example, that it speaks of and does not hold itself."""
    if text.startswith("channel"):
        text = f"[controls.stop_bar]\nkind = 'switch'\n{text}"
    if "[[triggers]]" in text:
        text = blocks()[0] + text
    for board in sorted(set(re.findall(r'"([a-z]+)\.[a-z]+[0-9]"', text)) or {"desk"}):
        if f"[boards.{board}]" not in text:
            text = f"[boards.{board}]\nchip = 'atmega328p'\n{text}"
    for control in re.findall(r'(?m)^answers = "(\w+)"', text):
        text += f"\n[controls.{control}]\nkind = 'button'\nchannel = '{board}.answers'\n"
    return text


@pytest.mark.parametrize(("document", "text"), examples(), ids=lambda each: each[:24])
def test_every_example_of_a_panel_file_passes_check_and_can_be_built(
    document: str, text: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "desk.toml"
    file.write_text(whole(text))
    assert main(["check", str(file)]) == 0, document
    said = capsys.readouterr().out
    assert "a good panel file" in said
    assert "firmware cannot be built" not in said


def test_there_are_examples_to_check() -> None:
    assert len(examples()) >= 5


def test_a_message_reads_as_the_document_says() -> None:
    (said,) = (block.strip() for block in blocks() if block.startswith("desk.toml:17"))
    text = blocks()[0].replace('"green"', '"gren"').replace("[panel]\n", "[panel]\n\n", 1)
    found = [str(finding) for finding in inspect(text, "desk.toml")[1]]
    assert [re.sub(r":\d+:", ":", line) for line in found] == [re.sub(r":\d+:", ":", said)]


@pytest.mark.parametrize(
    ("table", "more"),
    [
        ("panel", ""),
        ("boards.b", ""),
        ("boards.b.chains", ""),
        ("controls.c", "kind = 'switch'"),
        ("controls.c", "kind = 'encoder'"),
        ("controls.c", "kind = 'pot'"),
        ("controls.c.channel", ""),
        ("lamps.l", ""),
        ("displays.d", ""),
        ("matrices.m", ""),
    ],
)
def test_every_key_is_in_the_document(table: str, more: str) -> None:
    _, findings = inspect(f"[{table}]\n{more}\nunheard_of = 1\n")
    (said,) = (finding.text for finding in findings if "unheard_of" in finding.text)
    keys = said.partition("allowed: ")[2].partition(";")[0].split(", ")
    assert len(keys) > 2
    for key in keys:
        assert f"`{key}`" in TEXT or f"\n    {key} = " in TEXT, key


def test_the_table_of_formats_is_what_is_shown() -> None:
    table = TEXT.partition("| format | 7 | 1013.25 | −5 | too large |")[2].splitlines()[2:]
    rows = [row for row in table[: table.index("")] if row.startswith("|")]
    assert len(rows) == 3
    for row in rows:
        form, *shown = (
            cell.strip(" `") if index == 0 else cell[2:-2] for index, cell in enumerate(row.split("|")[1:-1])
        )
        display = Display("d", "D", Channel("b", "d"), len(form.replace(".", "")), form)
        assert [format_number(display, value) for value in (7, 1013.25, -5, 1e9)] == shown
