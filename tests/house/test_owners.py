"""What has one owner in the program stays with it: copies drift apart, which is where most faults have come from."""

from __future__ import annotations

import functools
import re
from pathlib import Path

import pytest

from benchcon.cli.bench import READY_S
from benchcon.cli.main import command_parser
from benchcon.replay import compare, rerun
from benchcon.units import for_people

PROGRAM = Path(__file__).parents[2] / "benchcon"
OWNERS = [
    (r"get_close_matches", ["text.py"], "benchcon.text.near proposes what was meant"),
    (r"NamedTemporaryFile|mkstemp\(|os\.replace\(", ["rig/ports.py"], "benchcon.files writes files whole"),
    (
        r"tomllib\.loads",
        ["panel/file.py", "panel/where.py", "kinds.py"],
        "benchcon.panel.file.open_table opens TOML files",
    ),
    (r"0x8000\) % 0x10000", ["wire/items.py"], "benchcon.wire.items.signed16 makes counts signed"),
    (
        r"/ 1e6:\.3f\} s",
        ["durations.py", "view/traces.py", "replay/compare_html.py"],
        "benchcon.durations.seconds_text",
    ),
    (r"// 60 % 60|divmod\(\w+, 60\)", ["durations.py", "view/traces.py"], "benchcon.durations.clock_text"),
    (
        r"\.ident or \w+\.name\b",
        ["panel/model.py", "state/board.py", "replay/contents.py", "replay/figures.py"],
        "called",
    ),
    (r'(?<!"")["\']benchcon: ', ["gate.py"], "benchcon.gate.say_on_stderr"),
    (
        r"capture(\.reader)? import .*\bReader\b",
        ["capture/__init__.py", "state_reader.py"],
        "benchcon.state_reader.StateReader, which skips keyframes that cannot be read,",
    ),
    (r'"once" if .* == 1', ["text.py"], "benchcon.text.times"),
    (r"/ 10:[^}]*\} %|5\) // 10\} %", ["units.py"], "benchcon.units.percent"),
    (r'replace\("_", " "\)\.capitalize', ["text.py"], "benchcon.text.label_from"),
    (
        r"\b(?:part|lamp|control|display|board)\.label or\b|self\.label or self\.name",
        ["panel/model.py"],
        "Board.called",
    ),
    (r"\{(\w+)\.board\}\.\{\1\.id\}|\{self\.board\}\.\{self\.id\}", ["panel/model.py"], "Channel.key"),
    (r"cannot be written: ", ["files.py", "gate.py"], "benchcon.files.cannot_be_written"),
    (r"\"possibly faulty\"\)", ["walk/marks.py"], "benchcon.walk.marks.FAULTY"),
    (r"/ 60:\.0f\} min\b|/ 1e6:\.1f\} s ago", ["durations.py"], "benchcon.durations.age_text"),
    (r"\" and \{len\(\w+\) - \w+\} more\" if", ["text.py"], "benchcon.text.first_of"),
    (r'"/dev/pts/"', ["link/pseudo_terminals.py"], "benchcon.link.pseudo_terminals.is_pseudo_terminal"),
    (r"if \w+\.startswith\(\w+\) else f\"", ["text.py"], "benchcon.text.about"),
    (r"\} times\" if ", ["text.py"], "benchcon.text.repeated"),
    (r"\[:1\]\.upper\(\)|\[0\]\.upper\(\)", ["text.py", "console/glyphs.py"], "benchcon.text.capitalised"),
    (r"\bshlex\.quote", ["text.py"], "benchcon.text.as_typed"),
    (r"\w+\[: ?[\w ]+\] \+ \"…\"", ["panel/reader.py", "panel/segments.py"], "benchcon.text.cut"),
    (r"\bmissed \+ \S*\.?waiting\b", ["capture/writer.py"], "benchcon.capture.writer.Figures.lost"),
    (r'f"benchcon \{__version__\}"', ["__init__.py"], "benchcon.PROGRAM"),
    (
        r"\b115_?200\b",
        ["wire/codec.py", "link/foreign.py", "firmware/chips.py", "state/board.py"],
        "benchcon.wire.codec.RATE",
    ),
    (r'"skipped", "not wired"', ["diagnosis/evidence.py"], "benchcon.diagnosis.evidence.NOT_DONE"),
    (r'"control", "lamp", "display"', ["walk/plan.py"], "benchcon.walk.plan.Group.is_part"),
    (r"until\.last\(session\.close\)", ["cli/bench.py", "console/run.py"], "benchcon.cli.bench.open_bench"),
    (r"not_confirmed\(", ["panel/unplug.py", "cli/bench.py", "console/run.py"], "benchcon.cli.bench.left_dark"),
    (
        r'detail_number\([^)]*"(?:det|pos|top)"',
        ["wire/items.py"],
        "benchcon.wire.items.positions_in",
    ),
    (
        r"\.channels\.get\([^)]*\) if board is not None else None",
        ["state/board.py", "console/raw.py"],
        "benchcon.state.board.find_channel",
    ),
    (r'or f"board \{', ["state/board.py", "replay/keyframes.py"], "benchcon.state.board.called"),
    (r"limit_us / 1000:g\} ms", ["timing/delay_words.py"], "benchcon.timing.delay_words.limit_words"),
    (r"\"\.capture\.gz\"", ["capture/form.py"], "benchcon.capture.form.ENDINGS"),
    (r"x1f\\x8b", ["capture/form.py", "panel/file.py"], "benchcon.capture.form.PACKED_MAGIC"),
    (r"key=lambda finding: finding\.line\)", ["panel/reader.py"], "benchcon.panel.reader.in_order"),
    (r"\"BENCHCON_TRACEBACK\"", ["errors.py"], "benchcon.errors.wants_traceback"),
    (r":\.2f\} V\b", ["units.py"], "benchcon.units.volts"),
    (r"or [\"']blank[\"']", ["panel/segments.py"], "benchcon.panel.segments.or_blank"),
    (r'"made" if \S+ else "open"', ["panel/reading.py"], "benchcon.panel.reading.made_or_open"),
    (
        r"; did you mean",
        ["text.py", "panel/file.py", "panel/reader.py", "panel/rules.py", "units.py"],
        "benchcon.text.did_you_mean",
    ),
    (r"\.chains\.\{", ["panel/model.py"], "benchcon.panel.model.chain_key"),
    (r"there is no such file beside", ["panel/file.py"], "benchcon.panel.file.file_beside"),
    (r"os\.kill, \(os\.getpid", ["console/simulated.py"], "benchcon.console.simulated.hangs_up_after"),
    (r"does not end in any of", ["cli/options.py"], "benchcon.cli.options.ending_of"),
    (r'\.to_bytes\([^)]*digits, "big"\)', ["panel/segments.py", "rig/lamps.py"], "benchcon.panel.segments.segments_of"),
    (r"lacks its unit; ", ["units.py"], "benchcon.units.quantity"),
    (r"\bswitched at the panel", ["view/showing.py"], "benchcon.view.showing.DARK_WHYS"),
    (r'"trying other rates"', ["view/showing.py"], "benchcon.view.showing.STAGE_WORDS"),
]


@functools.cache
def program() -> dict[str, str]:
    """The text of each module, by its path."""
    return {path.relative_to(PROGRAM).as_posix(): path.read_text(encoding="utf-8") for path in PROGRAM.rglob("*.py")}


@pytest.mark.parametrize(("pattern", "owners", "instead"), OWNERS, ids=[owner[2] for owner in OWNERS])
def test_one_owner(pattern: str, owners: list[str], instead: str) -> None:
    found = {path for path, text in program().items() if re.search(pattern, text)}
    assert found <= set(owners), f"{sorted(found - set(owners))}: {instead} does this"
    assert found, "the pattern finds nothing any more: it holds nothing"


DEFAULTS = [
    ("compare", "--tolerance", for_people(compare.TOLERANCE_US, "us")),
    ("compare", "--counts", str(compare.COUNTS)),
    ("replay", "--tolerance", for_people(rerun.TOLERANCE_US, "us")),
    ("replay", "--counts", str(compare.COUNTS)),
    ("draft", "--seconds", f"{READY_S:g}"),
]


@pytest.mark.parametrize(("command", "option", "default"), DEFAULTS, ids=[" ".join(row[:2]) for row in DEFAULTS])
def test_the_help_of_an_option_says_the_default_that_holds(command: str, option: str, default: str) -> None:
    said = [each.help or "" for each in command_parser(command)._actions if option in each.option_strings]
    assert [text.endswith(f" ({default})") for text in said] == [True], said
