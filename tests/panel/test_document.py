"""`protocols/panel-file.md` tells the truth: its examples can be opened, and it names every key there is."""

from __future__ import annotations

import re

import pytest

from benchcon.panel.file import inspect, loads
from benchcon.panel.model import Channel, Digits
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
        ("digits.d", ""),
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
        digits = Digits("d", "D", Channel("b", "d"), len(form.replace(".", "")), form)
        assert [format_number(digits, value) for value in (7, 1013.25, -5, 1e9)] == shown
