"""Faults as words and as a file: what is right is understood, what is wrong is said with its place."""

from __future__ import annotations

import random
import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rig.panels import desk, panel

from benchcon.demo.desks import panel_path
from benchcon.errors import Trouble
from benchcon.kinds import kinds
from benchcon.panel.file import load
from benchcon.protocol_files import protocols_dir
from benchcon.rig import faults_file
from benchcon.rig.faults import check, fault_of_words
from benchcon.rig.kinds import KINDS, WHEN

DOCUMENT = (protocols_dir() / "faults-file.md").read_text("utf-8")


@pytest.mark.parametrize("kind", KINDS)
def test_the_document_tells_of_each_kind_and_all_its_settings(kind: str) -> None:
    rows = [row for row in DOCUMENT.splitlines() if row.startswith(f"| `{kind}` |")]
    assert len(rows) == 1
    told = rows[0].split("|")[3]
    assert re.findall(r"(?:^|; )\s*`(\w+)`", told) == list(KINDS[kind].settings)
    (about,) = (each for each in kinds().values() if each.word == kind)
    assert rows[0].split(" | ")[-1].removesuffix(" |") == "; ".join(filter(None, (about.means, about.settings)))


def test_the_document_tells_of_no_other_kind() -> None:
    told = re.findall(r"(?m)^\| `(\w+)` \| (?:any|–|contact|selector|encoder|pot|lamp|display)", DOCUMENT)
    assert sorted(told) == sorted(KINDS)
    assert all(f"| `{key}` |" in DOCUMENT for key in WHEN)


@pytest.mark.parametrize(
    "text",
    [
        "chattering key edges=300us,1.2ms",
        "stuck key value=1 after=2s for=500ms",
        "crossed left right r1",
        "delay by=5ms jitter=2ms way=up",
        "clock off=-500ppm",
        "lose share=0.1%25",
        "weak_supply resistance=1.5ohm limit=4.3V",
        "garbage rate=20Hz",
        "labels text=a%1Bb%20c",
    ],
)
def test_words_come_back_as_they_were(text: str) -> None:
    fault = fault_of_words(text.split())
    assert " ".join(fault.words()) == text
    assert fault_of_words(fault.words()) == fault


def test_quantities_become_plain_numbers() -> None:
    settings = fault_of_words(["chattering", "key", "edges=300us,1.2ms", "after=2s", "lasting=0.1min"]).settings
    assert settings["edges"] == (300, 1200)
    assert settings["after"] == 2_000_000
    assert settings["lasting"] == 6_000_000
    assert fault_of_words(["lose", "share=0.1%"]).settings["share"] == 1  # permille


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("stuk key", "did you mean 'stuck'?"),
        ("stuck", "'stuck' takes 1 channel, none given"),
        ("stuck nokey", "board 'desk' has no channel 'nokey'; did you mean 'key'?"),
        ("stuck l1", "'stuck' is not possible on 'l1', a lamp; only on: contact, selector, encoder, pot"),
        ("crossed left l1", "'crossed' takes channels of one kind"),
        ("crossed left left", "names a channel twice"),
        ("stuck key valu=1", "did you mean 'value'?"),
        ("stuck key value=yes", "'value' must be a whole number, not \"yes\""),
        ("stuck key value=1 value=0", "'value' is given twice"),
        ("delay by=5", "'by' \"5\" lacks its unit"),
        ("delay by=5mm", "is a length; a time is needed"),
        ("clock off=9000ppm", "'off' must be from -5000 ppm to 5000 ppm, not \"9000ppm\""),
        ("chattering key edges=1ms", "an even number of times"),
        ("chattering key on=sometimes", "must be one of make, break, both"),
        ("digits_swapped num order=1,1,2", "must hold each digit once"),
        ("digits_swapped num order=2,1", "must hold 3 digits"),
        ("segment_dead num segment=Q", "must be one of P, A, B"),
        ("segment_dead num", "needs the setting 'segment'"),
        ("segment_dead num segment=A digit=4", "'num' has 3 digits"),
        ("ghost key", "'key' is in no matrix"),
        ("ghost key left", "the four corners"),
        ("ident ident=Upper", "must begin with a lower-case letter"),
    ],
)
def test_a_wrong_fault_is_said_in_one_line(text: str, says: str) -> None:
    with pytest.raises(ValueError) as error:
        check(fault_of_words(text.split()), desk())
    assert says in str(error.value)
    assert "\n" not in str(error.value)


def test_a_file_gives_each_board_its_faults(tmp_path: Path) -> None:
    path = tmp_path / "faults.toml"
    path.write_text(
        'seed = 7\n[[faults]]\nkind = "chattering"\nchannel = "desk.key"\nedges = ["300 us", "1.2 ms"]\n'
        '[[faults]]\nkind = "crossed"\nboard = "desk"\nchannels = ["left", "right"]\nafter = "10 s"\n'
        '[[faults]]\nkind = "hold"\nup_to = "16 ms"\n',
        "utf-8",
    )
    read = faults_file.load(path, panel())
    assert read.seed == 7
    assert [fault.kind for fault in read.of("desk")] == ["chattering", "crossed", "hold"]
    assert [fault.kind for fault in read.of("other")] == ["hold"]
    assert read.of("desk")[1].after_us == 10_000_000


@pytest.mark.parametrize(
    ("text", "line", "says"),
    [
        ('[[faults]]\nkind = "stuck"\nchannel = "desk.nokey"\n', 3, "has no channel 'nokey'"),
        ('[[faults]]\nkind = "stuck"\nchannel = "dask.key"\n', 3, "the panel has no board 'dask'"),
        ('\n[[faults]]\nchannel = "desk.key"\n', 2, "a fault needs its 'kind'"),
        ('[[faults]]\nkind = "delay"\nby = 5\n', 3, "'by' 5 lacks its unit; write it with one, such as \"5 ms\""),
        ('[[faults]]\nkind = "delay"\nby = true\n', 3, "'by' True is not a quantity"),
        ('[[faults]]\nkind = "stuck"\nchannel = "desk.key"\n\nvalue = "on"\n', 5, "must be a whole number"),
        ('[[faults]]\nkind = "stuck"\nchannel = "desk.key"\nchannels = []\n', 3, "not both"),
        ('[[faults]]\nkind = "crossed"\nchannels = ["desk.left", "desk.l1"]\n', 3, "one kind"),
        ("seed = -1\n", 1, "'seed'"),
        ("\nsed = 1\n", 2, "unknown key 'sed'"),
        ("faults = 3\n", 1, "[[faults]]"),
        ("\n[[faults]\n", 2, "is not TOML here"),
        ('[[faults]]\nkind = "st\x1b[2Juck"\n', 2, "is not TOML here"),
        ('[[faults]]\nkind = "st\\u001b[2Juck"\n', 2, "\\x1B[2J"),
    ],
)
def test_a_wrong_file_is_said_with_its_line(text: str, line: int, says: str) -> None:
    with pytest.raises(Trouble) as error:
        faults_file.loads(text, "my.toml", panel())
    said = str(error.value)
    assert said.startswith(f"my.toml:{line}: ")
    assert says in said
    assert "\n" not in said
    assert "\x1b" not in said


def said_of(text: str | bytes, name: str) -> str:
    """What is said of a file; nothing if it is good."""
    try:
        faults_file.loads(text, name, panel())
    except Trouble as error:
        return str(error)
    return ""


@given(st.text(max_size=300) | st.binary(max_size=300))
def test_any_text_is_a_file_or_one_clear_line(text: str | bytes) -> None:
    assert re.fullmatch(r"|any\.toml(:\d+)?: [^\n]+", said_of(text, "any.toml"))


def test_random_mutations_of_a_good_file_are_a_file_or_one_clear_line() -> None:
    good = 'seed = 7\n[[faults]]\nkind = "chattering"\nchannel = "desk.key"\nedges = ["300 us", "1.2 ms"]\n'
    chance = random.Random(20)
    for _ in range(1500):
        text = list(good)
        for _ in range(chance.randint(1, 4)):
            text[chance.randrange(len(text))] = chance.choice("\"'[]=.,\n#0x\\ {}e-")
        assert re.fullmatch(r"|mutant\.toml(:\d+)?: [^\n]+", said_of("".join(text), "mutant.toml"))


def test_the_document_s_example_is_a_good_faults_file_for_the_demo() -> None:
    top = DOCUMENT.split("    benchcon check FILE")[0]
    example = "\n".join(line[4:] for line in top.splitlines() if line.startswith("    "))
    read = faults_file.loads(example, "example.toml", load(panel_path()))
    faults = {fault.kind: fault.channels for _, fault in read.faults}
    assert faults["crossed"] == ("sw_rwy", "sw_twy")
    assert faults["shorted"] == ("sw_app", "sw_obs")
    # The hand's document has the same faults in words.
    hand = (protocols_dir() / "hand.md").read_text("utf-8")
    for words in ("crossed sw_rwy sw_twy", "shorted sw_app sw_obs"):
        assert f"`fault {words}`" in hand
        kind, *channels = words.split()
        assert fault_of_words(words.split()).channels == tuple(channels) == faults[kind]
