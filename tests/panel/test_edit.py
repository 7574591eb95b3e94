"""Editing a panel file leaves every byte alone that was not meant."""

from __future__ import annotations

import shutil
import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchcon.errors import Trouble
from benchcon.files import write_whole
from benchcon.panel.edit import PanelFile
from benchcon.panel.file import load, loads
from benchcon.panel.splice import with_table, with_value, written

TEXT = """\
# My panel.
[panel]
width = "12 in"   # across
height = "200 mm"

[boards.desk]

# About the beacon.
[lamps.beacon]
label = 'Beacon'  # red one
at = [ "1.5 in", "60 mm" ]
channel = "desk.l1"
# still about the beacon

# About the horn.
[controls.horn]
    kind = "button"
    channel = { id = "desk.sw1" }

[lamps.late]
[lamps.late.channel]
id = "desk.l2"
[[triggers]]
kind = "chatter"
part = "horn"  # only this
"""


@pytest.fixture
def file(tmp_path: Path) -> PanelFile:
    path = tmp_path / "desk.toml"
    path.write_text(TEXT)
    return PanelFile(path)


def changed(file: PanelFile) -> list[str]:
    """The lines that a patch takes away and puts in."""
    lines = file.patch().splitlines()
    return [line for line in lines if line[:1] in "+-" and not line.startswith(("+++", "---"))]


def test_a_label_changes_one_line_and_keeps_its_comment(file: PanelFile) -> None:
    file.label("beacon", 'Red "beacon"')
    assert changed(file) == ["-label = 'Beacon'  # red one", '+label = "Red \\"beacon\\""  # red one']
    file.save()
    assert load(file.path).lamps[0].label == 'Red "beacon"'
    assert not file.changed


def test_a_place_stays_in_the_units_of_the_file(file: PanelFile) -> None:
    file.place("beacon", 50.8, 70)
    assert changed(file)[1] == '+at = ["2 in", "70 mm"]'
    file.place("horn", 10, 20.25)
    assert '\n    channel = { id = "desk.sw1" }\n    at = ["10 mm", "20.2 mm"]\n\n[lamps.late]' in file.text


def test_a_new_key_stands_before_the_comment_of_the_next_table(file: PanelFile) -> None:
    file.set("beacon", "on", "80 %")
    assert 'channel = "desk.l1"\non = "80 %"\n# still about' in file.text
    file.set("late", "wired", False)
    assert "[lamps.late]\nwired = false\n[lamps.late.channel]" in file.text


def test_a_part_is_renamed_wherever_its_name_stands(file: PanelFile) -> None:
    file.rename("late", "tail")
    assert "[lamps.tail]\n[lamps.tail.channel]" in file.text
    assert file.panel.part("late") is None
    with pytest.raises(Trouble, match='mean "red_beacon"'):
        file.rename("beacon", "Red beacon")
    with pytest.raises(Trouble, match=r"name of lamps\.beacon|lamps.beacon has the name"):
        file.rename("horn", "beacon")
    with pytest.raises(Trouble, match='no part "horm"'):
        file.rename("horm", "x")
    assert file.panel.part("horn") is not None


def test_triggers_follow_a_part_that_is_renamed(file: PanelFile) -> None:
    file.rename("horn", "hooter")
    assert 'part = "hooter"  # only this' in file.text


def test_what_answers_a_control_follows_its_new_name(file: PanelFile) -> None:
    file.set("beacon", "answers", "horn")
    file.rename("horn", "hooter")
    assert file.panel.part("beacon").answers == "hooter"  # type: ignore[union-attr]


def test_supplies_follow_a_part_that_is_renamed(file: PanelFile) -> None:
    main = '[supplies.main]\nfeeds = ["late", "beacon"]  # both\non_when = [{ horn = "pressed" }]\n'
    file.path.write_text(TEXT + main)
    file = PanelFile(file.path)
    file.rename("horn", "hooter")
    file.rename("beacon", "flasher")
    assert file.text.endswith('feeds = ["late", "flasher"]  # both\non_when = [{ hooter = "pressed" }]\n')


def test_parts_are_added_at_the_end(file: PanelFile) -> None:
    file.add("lamps", "new", {"label": "New one", "channel": {"id": "desk.l9", "pin": "D5"}, "at": ["5 mm", "5 mm"]})
    assert file.text.startswith(TEXT)
    assert file.panel.part("new").line == TEXT.count("\n") + 1 + 1  # type: ignore[union-attr]
    with pytest.raises(Trouble, match="twice"):
        file.add("lamps", "new", {"channel": "desk.l8"})


def test_a_change_that_would_be_a_mistake_is_refused_and_leaves_all_as_it_was(file: PanelFile) -> None:
    with pytest.raises(Trouble, match="off the panel"):
        file.place("beacon", 400, 10)
    with pytest.raises(Trouble, match=r"desk\.toml:\d+: controls\.horn\.channel"):
        file.set("horn", "channel", "desk.Nope")
    assert file.text == TEXT
    assert not file.changed
    assert file.patch() == ""


def test_what_somebody_else_wrote_meanwhile_is_kept(file: PanelFile) -> None:
    file.label("beacon", "Mine")
    file.path.write_text(TEXT.replace("Beacon", "Theirs"))
    with pytest.raises(Trouble, match="changed by another program"):
        file.save()
    assert "Theirs" in file.path.read_text()


def test_line_ends_and_marks_of_other_editors_survive(tmp_path: Path) -> None:
    path = tmp_path / "desk.toml"
    raw = b"\xef\xbb\xbf" + TEXT.replace("\n", "\r\n").encode()
    path.write_bytes(raw)
    path.chmod(0o640)
    file = PanelFile(path)
    file.set("beacon", "on", "50 %")
    file.save()
    assert path.read_bytes() == raw.replace(b'"desk.l1"\r\n', b'"desk.l1"\r\non = "50 %"\r\n')
    assert path.stat().st_mode & 0o777 == 0o640
    file.label("beacon", "Once more")
    file.save()  # our own change is not somebody else's
    assert [each.name for each in tmp_path.iterdir()] == ["desk.toml"]


def test_the_demo_survives_every_edit(ostrey_path: Path, tmp_path: Path) -> None:
    path = Path(shutil.copy(ostrey_path, tmp_path / "mine.toml"))
    file = PanelFile(path)
    for part in file.panel.parts:
        file.label(part.name, f"{part.label} 2")
        assert part.place is not None
        file.place(part.name, part.place.x_mm + 0.5, part.place.y_mm)
    before, after = ostrey_path.read_text().splitlines(), file.text.splitlines()
    differing = [old for old, new in zip(before, after, strict=True) if old != new]
    assert len(differing) == 2 * len(file.panel.parts)
    assert all(line.startswith(("label", "at")) for line in differing)


def test_a_file_is_written_whole_or_not_at_all(tmp_path: Path) -> None:
    path = tmp_path / "new.toml"
    write_whole(path, b"one", force=False)
    with pytest.raises(Trouble, match="exists already; choose another name, or overwrite it with --force"):
        write_whole(path, b"two", force=False)
    assert path.read_bytes() == b"one"
    link = tmp_path / "link.toml"
    link.symlink_to(path)
    write_whole(link, b"three")
    assert link.is_symlink()
    assert path.read_bytes() == b"three"
    with pytest.raises(Trouble, match="there is no folder"):
        write_whole(tmp_path / "none" / "x.toml", b"")
    with pytest.raises(Trouble, match="No space left"):
        write_whole("/dev/full", b"x")
    assert Path("/dev/full").is_char_device()
    assert sorted(each.name for each in tmp_path.iterdir()) == ["link.toml", "new.toml"]


_VALUES = st.recursive(
    st.booleans() | st.integers(-(2**40), 2**40) | st.text(st.characters(exclude_categories=["Cs"]), max_size=12),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from("abc"), inner, max_size=3),
    max_leaves=5,
)


@given(_VALUES)
def test_what_is_written_is_read_as_it_was(value) -> None:  # type: ignore[no-untyped-def]
    assert tomllib.loads(f"v = {written(value)}")["v"] == value


_TEXTS = [TEXT, TEXT.replace("\n", "\r\n"), "a.b.c = 1 # x", "[a.b.c]", "a = { b = {} }", "[a]\nb.c = 2\n", ""]


@given(
    st.sampled_from(_TEXTS),
    st.sampled_from(["lamps.beacon", "lamps.late", "controls.horn.channel", "a.b", "a"]),
    st.sampled_from(["label", "new", "c"]),
    _VALUES,
)
def test_setting_a_key_sets_that_key_and_nothing_else(text: str, table: str, key: str, value) -> None:  # type: ignore[no-untyped-def]
    want = tomllib.loads(text)
    inner = want
    for step in table.split("."):
        inner = inner.get(step) if isinstance(inner, dict) else None  # type: ignore[assignment]
    if not isinstance(inner, dict):
        return
    if isinstance(inner.get(key), dict):
        with pytest.raises(Trouble, match="table of its own"):
            with_value(text, tuple(table.split(".")), key, value)
        return
    inner[key] = value
    after = with_value(text, tuple(table.split(".")), key, value)
    assert tomllib.loads(after) == want
    for line in text.splitlines():
        if "#" in line:
            assert line.partition("#")[2] in after
    assert tomllib.loads(with_table(after, "fresh", {"k": value}))["fresh"] == {"k": value}


REPEATS = """\
[boards.d]
[controls.key]  # the keys
kind = "button"
channel = "b1"
lit = { colour = "green", channel = "l1" }  # green
repeat = { columns = 3 }
[controls.two]
kind = "button"
channel = "t1"
lit = [{ colour = "red", channel = "r1" }, { colour = "green", channel = "g1" }]
repeat = { columns = 2 }
[controls.one]
kind = "button"
channel = "o1"
[[controls.one.lit]]
channel = "x1"
[[controls.one.lit]]
channel = "y1"
[lamps.row]
channel = "z1"
trim = "90 %"
[lamps.row.repeat]
columns = 4
"""


def test_the_trim_of_one_lamp_of_a_repeat_is_written_and_every_other_stays(tmp_path: Path) -> None:
    path = tmp_path / "p.toml"
    path.write_text(REPEATS, "utf-8")
    file = PanelFile(path)
    wanted = {lamp.name: lamp.trim_permille for lamp in file.panel.lamps}
    for name, trim in (("key_2_lit", 800), ("two_2_lit_1", 700), ("one_lit_2", 655), ("row_3", 500), ("row_1", 10)):
        wanted[name] = trim
        file.trim(name, trim)
        assert {lamp.name: lamp.trim_permille for lamp in file.panel.lamps} == wanted
    added = [line[1:] for line in file.patch().splitlines()[2:] if line[0] == "+"]
    assert added == [
        'lit = { colour = "green", channel = "l1", trims = ["100 %", "80 %", "100 %"] }  # green',
        'lit = [{ colour = "red", channel = "r1", trims = ["100 %", "70 %"] }, { colour = "green", channel = "g1" }]',
        'trim = "65.5 %"',
        'trims = ["1 %", "90 %", "50 %", "90 %"]',
    ]


def test_the_label_of_one_of_a_repeat_is_written_and_the_others_keep_theirs(tmp_path: Path) -> None:
    path = tmp_path / "p.toml"
    path.write_text(REPEATS, "utf-8")
    file = PanelFile(path)
    file.label("key_2", "Pump")
    file.label("row_4", "Last")
    assert [part.label for part in file.panel.parts if part.name.startswith(("key_", "row_"))] == [
        *("Key 1", "Pump", "Key 3", "Row 1", "Row 2", "Row 3", "Last", "Key 1", "Pump", "Key 3")
    ]


def test_a_list_of_trims_of_another_length_is_a_mistake_with_its_line() -> None:
    text = REPEATS.replace('trim = "90 %"', 'trims = ["90 %", "80 %"]')
    with pytest.raises(Trouble, match=r"lamps.row.trims has 2 trims; 4 are needed, one for each lamp of the repeat"):
        loads(text)
