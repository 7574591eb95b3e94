"""Declaring triggers in a panel file: what is read, and what is said of mistakes."""

from __future__ import annotations

import re

import pytest

from benchcon.errors import Trouble
from benchcon.panel.file import loads
from benchcon.protocol_files import protocols_dir
from benchcon.watch import Trigger, inspect_triggers, triggers_of
from benchcon.watch.triggers import KINDS

DESK = """\
[boards.desk]
[boards.annexe]

[controls.stop_bar]
kind = "switch"
channel = "desk.sw1"

[controls.test]
kind = "button"
channel = "desk.b1"

[controls.call]
kind = "button"
channel = "annexe.b1"

[controls.knob]
kind = "pot"
channel = "desk.p1"
"""


def declared(text: str) -> list[Trigger]:
    return triggers_of(loads(DESK + text, "desk.toml"))


def test_what_is_left_out_has_the_documented_values() -> None:
    for kind, more, time_us in [
        ("chatter", 6, 250_000),
        ("bad_checks", 5, 1_000_000),
        ("silence", 0, 0),
        ("late_answer", 0, 50_000),
        ("gap", 0, 0),
    ]:
        (trigger,) = declared(f'[[triggers]]\nkind = "{kind}"\n')
        assert (trigger.name, trigger.kind, trigger.more_than, trigger.time_us) == (kind, kind, more, time_us)
        assert (trigger.boards, trigger.channels, trigger.rest_us, trigger.save) == ((), (), 10_000_000, True)


def test_targets_by_part_channel_and_board() -> None:
    part, channel, board = declared(
        '[[triggers]]\nkind = "chatter"\nname = "a"\npart = "stop_bar"\n'
        '[[triggers]]\nkind = "chatter"\nname = "b"\nchannel = "annexe.b1"\n'
        '[[triggers]]\nkind = "chatter"\nname = "c"\nboard = "annexe"\nrest = "1 min"\nsave = false\n'
    )
    assert part.channels == (("desk", "sw1"),)
    assert channel.channels == (("annexe", "b1"),)
    assert (board.boards, board.rest_us, board.save) == (("annexe",), 60_000_000, False)


def test_short_presses_are_those_of_push_buttons() -> None:
    both, one = declared(
        '[[triggers]]\nkind = "short_press"\n[[triggers]]\nkind = "short_press"\nname = "d"\nboard = "desk"\n'
    )
    assert both.channels == (("desk", "b1"), ("annexe", "b1"))
    assert one.channels == (("desk", "b1"),)


@pytest.mark.parametrize(
    ("table", "says"),
    [
        ("name = 'x'", r"desk.toml:19: triggers\[1\] has no kind; allowed: chatter, short_press"),
        ("kind = 'chater'", r'desk.toml:20: triggers\[1\].kind is "chater"; allowed: .*did you mean "chatter"'),
        ("kind = 'chatter'\nwithin = '5 mm'", "desk.toml:21: .*it is a length; a time is needed"),
        ("kind = 'chatter'\nwithin = 250", 'desk.toml:21: .*such as "250 ms"'),
        ("kind = 'chatter'\nmore_than = 0", "desk.toml:21: .*from 1 to 1000"),
        ("kind = 'gap'\nwithin = '1 s'", "desk.toml:21: .*within is unknown here"),
        ("kind = 'gap'\npart = 'stop_bar'", "desk.toml:21: .*part is unknown here"),
        ("kind = 'chatter'\npart = 'stopbar'", 'did you mean "stop_bar"'),
        ("kind = 'chatter'\nboard = 'dask'", 'did you mean "desk"'),
        ("kind = 'chatter'\nchannel = 'shed.b1'", 'on the board "shed"; allowed: desk, annexe'),
        ("kind = 'chatter'\nboard = 'desk'\npart = 'stop_bar'", "only one of the two is allowed"),
        ("kind = 'range'\npart = 'knob'\nfrom = 5", "has no to"),
        ("kind = 'range'\npart = 'knob'\nfrom = 5\nto = 3", "is 5, above 'to'"),
        ("kind = 'range'\nfrom = 5\nto = 6", "has no part or channel"),
        ("kind = 'gap'\nname = 'Big gap'", "lower-case"),
        ("kind = 'gap'\n[[triggers]]\nkind = 'gap'", "needs a name of its own"),
    ],
)
def test_mistakes_are_said_with_file_line_and_key(table: str, says: str) -> None:
    with pytest.raises(Trouble) as caught:
        declared(f"[[triggers]]\n{table}\n")
    assert re.search(says, str(caught.value))
    assert "\n" not in str(caught.value)


def test_all_mistakes_are_found_at_once() -> None:
    panel = loads(
        DESK + '[[triggers]]\nkind = "gap"\nx = 1\n[[triggers]]\nkind = "no"\n[[triggers]]\nkind = "reset"\n', "d"
    )
    triggers, findings = inspect_triggers(panel)
    assert [trigger.kind for trigger in triggers] == ["reset"]
    assert len(findings) == 2


def test_the_document_tells_of_every_kind_and_its_example_can_be_read() -> None:
    text = (protocols_dir() / "panel-file.md").read_text()
    section = text.partition("## 9 Triggers")[2].partition("## 10")[0]
    assert all(f"| `{kind}` |" in section for kind in KINDS)
    example = "\n".join(line[4:] for line in section.splitlines() if line.startswith("    ") or not line)
    assert [trigger.name for trigger in declared(example)] == ["stop_bar_chatter", "reset"]
