"""The page to keep with a panel: what whoever mends it in two years finds there."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from junitparser import JUnitXml

from benchcon.demo import panel_path
from benchcon.durations import lasted, when
from benchcon.firmware.plan import plan
from benchcon.firmware.wiring_list import as_markdown, sections
from benchcon.panel.file import load, loads
from benchcon.panel.model import Panel
from benchcon.report.folder import Folder
from benchcon.report.walk import build
from benchcon.report.walk_junit import junit
from benchcon.report.walk_page import page
from benchcon.walk.journal import FinishedStep
from benchcon.walk.plan import Group
from benchcon.walk.report_header import Sitting

OSTREY = load(panel_path())
LINK = {
    **dict.fromkeys(("resets", "lost", "silences", "darks", "missing", "bad_here", "bad_there"), 0),
    "causes": [],
    "rest_mv": 5000,
    "least_mv": 4730,
    "worst_loop_us": 400,
}
ABOUT: dict[str, Any] = {
    "began": "2031-02-03T14:05:06+01:00",
    "zone": "CET",
    "took_s": 312.4,
    "by": "A. Bench",
    "simulated": False,
    "serial": "OT-0007",
    "program": "benchcon 0.1.0",
    "boards": [
        {
            "name": "met",
            "ident": "met",
            "firmware": "own 3",
            "chip": "atmega328p",
            "port": "/dev/ttyUSB0",
            "link": LINK | {"resets": 2, "causes": ["brownout"], "missing": 7, "bad_here": 3},
        }
    ],
}


class Tables(HTMLParser):
    """Reads the tables of a page as rows of texts (Python's own parser), a cell over several rows in each of them."""

    def __init__(self) -> None:
        super().__init__()
        self.tables: list[list[list[str]]] = []
        self.tags: list[str] = []
        self.words: list[str] = []
        self._cell: list[str] | None = None
        self._spans: dict[int, tuple[int, str]] = {}
        self._span = 1

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        if tag == "table":
            self.tables.append([])
            self._spans = {}
        elif tag == "tr":
            self.tables[-1].append([])
            self._fill()
        elif tag in ("td", "th"):
            self._cell, self._span = [], int(dict(attrs).get("rowspan") or 1)

    def _fill(self) -> None:
        row = self.tables[-1][-1]
        while len(row) in self._spans:
            left, text = self._spans.pop(len(row))
            if left > 1:
                self._spans[len(row)] = left - 1, text
            row.append(text)

    def handle_endtag(self, tag: str) -> None:
        if tag in ("td", "th"):
            row, text = self.tables[-1][-1], " ".join("".join(self._cell or ()).split())
            if self._span > 1:
                self._spans[len(row)] = self._span - 1, text
            row.append(text)
            self._cell = None
            self._fill()

    def handle_data(self, data: str) -> None:
        self.words.append(data)
        if self._cell is not None:
            self._cell.append(data)


def read(text: str) -> Tables:
    parser = Tables()
    parser.feed(text)
    parser.close()
    return parser


def walked(panel: Panel = OSTREY, groups: list[FinishedStep] | None = None, **about: Any) -> dict[str, Any]:
    return build(panel, groups or [], ABOUT | about)


def of_the_wiring_list(board: str) -> dict[str, list[tuple[str, str, str]]]:
    """Connector, its pin and wire of each channel of a board, from the wiring list as `benchcon firmware` writes it."""
    found: dict[str, list[tuple[str, str, str]]] = {}
    text = as_markdown(sections(plan(OSTREY, board)[0])).partition("## Wires")[2].partition("\n## ")[0]
    for line in text.splitlines():
        cells = [cell.strip().replace("\\", "") for cell in re.split(r"(?<!\\)\|", line)[1:-1]]
        if len(cells) == 8 and cells[0] != "channel" and set(cells[0]) != {"-"}:
            found.setdefault(f"{board}.{cells[0]}", []).append((cells[4], cells[5], cells[6]))
    return found


def test_each_part_stands_beside_the_connector_pin_and_wire_of_the_wiring_list() -> None:
    """As a person with the page reads it: the row with the part's label, held against the list that was soldered by."""
    (table,) = [each for each in read(page(walked(), OSTREY)).tables if each[0][0] == "Part"]
    assert table[0] == ["Part", "Found", "Connector", "Pin", "Wire", "Pin of board or chip", "Channel", "Seen"]
    seen: dict[str, list[tuple[str, str, str]]] = {}
    parts: dict[str, str] = {}
    for label, _, connector, pin, wire, _, channel, _ in table[1:]:
        seen.setdefault(channel, []).append((connector, pin, wire))
        parts[channel] = label
    wanted = {key: row for board in OSTREY.boards for key, row in of_the_wiring_list(board.name).items()}
    assert len(wanted) == 30
    assert seen == wanted
    for part in OSTREY.parts:
        channels = part.channels if hasattr(part, "channels") else (part.channel,)
        for channel in channels:
            assert parts[channel.key].startswith(part.label)
    assert seen["met.enc_qnh"] == [("J1", "1", "white"), ("J1", "2", "brown")]  # as in the panel file: "white/brown"


def test_a_board_that_cannot_be_built_from_its_file_still_has_its_wires_on_the_page() -> None:
    text = '[boards.a]\n[controls.b]\nkind = "button"\nchannel = { id = "b1", connector = "J9", connector_pin = "3", '
    panel = loads(text + 'wire = "pink" }\n', "x")
    rows = [row for table in read(page(walked(panel), panel)).tables for row in table]
    assert ["B button", "– not asked", "J9", "3", "pink", "", "a.b1", ""] in rows


def test_the_wiring_list_itself_is_on_the_page() -> None:
    """A pin of a chip, from its data sheet: input C of a 74HC165 is pin 13."""
    found = read(page(walked(), OSTREY))
    rows = [row for table in found.tables for row in table]
    assert ["13", "C", "Intensity 3 (int3)"] in rows
    assert ["D9", "PB1", "U2 pin 12 (RCLK)"] in rows
    assert "Wiring list of board lighting" in "".join(found.words)


def test_the_head_says_when_who_how_long_and_which_panel() -> None:
    said = " ".join("".join(read(page(walked(), OSTREY)).words).split())
    for text in (
        "Serial numberOT-0007",
        "WalkedMonday 3 February 2031, 14:05 CET (UTC+01:00)",
        "It took5 min 12 s",
        "ByA. Bench",
    ):
        assert text in said
    (row,) = [row for table in read(page(walked(), OSTREY)).tables for row in table if row[0] == "met"]
    assert row[1:] == [
        "own 3, atmega328p, /dev/ttyUSB0",
        "2 (brownout)",
        "7",
        "3",
        "0",
        "4.73 V (all dark 5.00 V)",
        "",
    ]


def test_a_serial_number_from_the_panel_file() -> None:
    panel = loads(OSTREY.text.replace("[panel]", '[panel]\nserial = "OT-12"', 1), "x")
    assert panel.serial == "OT-12"


@pytest.mark.parametrize(
    ("began", "zone", "says"),
    [
        ("2031-02-03T14:05:06+00:00", "UTC", "Monday 3 February 2031, 14:05 UTC"),
        ("2031-02-03T14:05:06+05:30", "IST", "Monday 3 February 2031, 14:05 IST (UTC+05:30)"),
        ("2031-02-03T14:05:06-03:00", "", "Monday 3 February 2031, 14:05 UTC-03:00"),
        ("once", "", "once"),
    ],
)
def test_times_are_local_and_name_their_zone(began: str, zone: str, says: str) -> None:
    """3 February 2031 is a Monday (ISO 8601 calendar; `python -m calendar 2031 2`)."""
    assert when(began, zone) == says


def test_durations() -> None:
    assert [lasted(s) for s in (0.4, 59.4, 60, 3599, 3660)] == ["0 s", "59 s", "1 min 0 s", "59 min 59 s", "1 h 1 min"]


def test_what_was_not_tested_is_said_with_the_reason() -> None:
    groups = [
        FinishedStep(Group("mains", "control", ("mains",)), [], "skipped", "the lever is broken off"),
        FinishedStep(Group("approach", "control", ("approach",)), [], "not wired"),
        FinishedStep(Group("supply desks", "supply", ()), [], "skipped"),
        FinishedStep(Group("all lit", "together", ()), [], "skipped"),
    ]
    report = walked(groups=groups)
    why = {row["what"]: row["why"] for row in report["untested"]}
    assert why["Mains"] == "skipped: the lever is broken off"
    assert why["Approach"] == "not wired yet"
    assert why["Wind speed"] == "not chosen for this walk"
    assert why["what supply desks feeds"] == why["everything lit at once, within the budget"] == "skipped"
    said = " ".join("".join(read(page(report, OSTREY)).words).split())
    assert "Skipped: the lever is broken off: Mains." in said
    assert "hours of load and heat (benchcon walk --soak)" in said


def test_no_fault_found_is_said_of_what_was_tested_only() -> None:
    names = [part.name for part in OSTREY.parts]
    told = {25: "✓ passed: no fault found", 3: "✓ no fault found in what was tested", 0: "– nothing was tested"}
    for count, says in told.items():
        groups = [FinishedStep(Group(name, "control", (name,)), [], "done") for name in names[:count]]
        assert says in read(page(walked(groups=groups), OSTREY)).words


def test_what_an_earlier_walk_found_is_marked_so() -> None:
    groups = [FinishedStep(Group(name, "control", (name,)), [], "done") for name in ("mains", "approach")]
    report = walked(groups=groups, kept=["mains"])
    rows = {row[0]: row[1] for table in read(page(report, OSTREY)).tables for row in table}
    assert (rows["Mains switch"], rows["Approach switch"]) == ("✓ passed, earlier", "✓ passed")


def test_other_programs_read_head_wires_and_links_as_properties() -> None:
    """Read by the library `junitparser`."""
    report = walked(groups=[FinishedStep(Group("mains", "control", ("mains",)), [], "skipped", "broken")])
    suites = {suite.name: suite for suite in JUnitXml.fromstring(junit(report).decode())}
    whole = {each.name: each.value for each in suites["walk"].properties()}
    assert (whole["serial"], whole["by"], whole["took_s"]) == ("OT-0007", "A. Bench", "312.4")
    assert (whole["met least_mv"], whole["met resets"], whole["met causes"]) == ("4730", "2", "brownout")
    assert whole["not tested: Mains"] == "skipped: broken"
    cases = {case.name: case for case in suites["encoder"]}
    holder = cases["pressure_set"]._elem.find("properties")
    assert [each.get("value") for each in holder] == [
        "J1 pin 1, white, D2, met.enc_qnh",
        "J1 pin 2, brown, D3, met.enc_qnh",
    ]


MARKUP = "<>&\"'/=!-{}%# ]\\scriptimgon"
OF_A_FILE = st.text(st.sampled_from(MARKUP), min_size=1, max_size=14)
"""A panel file that holds control codes is refused."""
OF_A_STRANGER = st.text(st.sampled_from(MARKUP + "\x1b\x9b\u202e\0"), min_size=1, max_size=30)


@given(OF_A_FILE, OF_A_FILE, OF_A_STRANGER)
def test_no_label_or_name_breaks_out_of_the_markup(label: str, colour: str, told: str) -> None:
    """`label` and `colour` are a panel file's, `told` a board's and a person's."""

    def made(label: str, colour: str, told: str) -> Tables:
        head = f"[panel]\ntitle = {json.dumps(label)}\nserial = {json.dumps(colour)}\n"
        text = head + f'[boards.a]\nlabel = {json.dumps(label)}\n[controls.b]\nkind = "button"\n'
        wire = f'channel = {{ id = "b1", connector = {json.dumps(colour)}, wire = {json.dumps(colour)} }}\n'
        panel = loads(text + f"label = {json.dumps(label)}\nnote = {json.dumps(label)}\n" + wire, "x")
        board = dict.fromkeys(("ident", "firmware", "chip", "port"), told) | {
            "name": "a",
            "link": LINK | {"causes": [told]},
        }
        groups = [FinishedStep(Group("b", "control", ("b",)), [], "skipped", told)]
        report = build(panel, groups, ABOUT | {"boards": [board], "by": told, "serial": told, "zone": told})
        return read(page(report, panel, [told]))

    found = made(f"x{label}", f"x{colour}", f"x{told}")
    # A label on the face may be broken into lines, each a text of its own.
    tags, plain = ([tag for tag in each.tags if tag != "text"] for each in (found, made("plain", "plain", "plain")))
    assert tags == plain
    # C0 and C1 control codes but for the line end (ECMA-48), and marks that turn the direction of writing (Unicode).
    text = "".join(found.words)
    codes = {each for each in text if (ord(each) < 32 and each != "\n") or 127 <= ord(each) < 160}
    assert not codes | ({"\u202e"} & set(text))


def test_a_walk_that_goes_on_keeps_when_it_began_and_counts_the_time_before(tmp_path: Path) -> None:
    done = [FinishedStep(Group("mains", "control", ("mains",)), [], "done", took_us=90_000_000)]
    folder = Folder(tmp_path)
    first = Sitting("A. Bench")
    began = "2031-02-03T14:05:06+01:00"
    first.goes_on(folder.open(OSTREY, began, []), [])
    folder.close()
    later = Sitting("B. Bench")
    later.goes_on(Folder(tmp_path).open(OSTREY, later.began, done), done)
    assert (later.began, later.kept) == (began, [])
    assert 90 <= later.took_s < 95


def test_what_is_carried_over_from_a_finished_walk_is_no_part_of_this_one(tmp_path: Path) -> None:
    done = [FinishedStep(Group("mains", "control", ("mains",)), [], "done", took_us=90_000_000)]
    sitting = Sitting()
    sitting.goes_on(Folder(tmp_path).open(OSTREY, sitting.began, done), done)
    assert sitting.kept == ["mains"]
    assert sitting.took_s < 5


@pytest.mark.slow
@pytest.mark.skipif(
    not shutil.which("chromium"), reason="a browser has to print it; on Debian: apt-get install chromium"
)
@pytest.mark.parametrize("size", ["A4", "Letter"])
def test_on_paper_a_long_wiring_list_begins_under_its_heading(tmp_path: Path, size: str) -> None:
    """Kept whole it went overleaf, and the page with the heading stayed two thirds empty."""
    text = page(walked(), OSTREY, None)
    sheet = text.replace("@page { margin: 14mm; }", f"@page {{ margin: 14mm; size: {size}; }}")
    assert sheet != text
    (tmp_path / "walk.html").write_text(sheet, "utf-8")
    options = ["--headless", "--no-sandbox", f"--user-data-dir={tmp_path}/browser", "--no-pdf-header-footer"]
    command = ["chromium", *options, f"--print-to-pdf={tmp_path}/walk.pdf", f"file://{tmp_path}/walk.html"]
    subprocess.run(command, check=True, capture_output=True)
    said = subprocess.run(["pdftotext", "-layout", f"{tmp_path}/walk.pdf", "-"], check=True, capture_output=True)
    pages = said.stdout.decode().split("\f")
    for board in OSTREY.boards:
        (first,) = (each for each in pages if f"Wiring list of board {board.name}" in each)
        channels = [channel.id for part in OSTREY.parts for channel in part.channels if channel.board == board.name]
        assert sum(f"\n{id_} " in first.replace("\n ", "\n") for id_ in channels) >= 2, first
