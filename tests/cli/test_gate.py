"""Whatever a command prints holds no control code of a stranger's; the codes are those of ECMA-48."""

from __future__ import annotations

import io
import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from console.in_terminal import Terminal
from few import few_of
from hypothesis import example, given
from hypothesis import strategies as st

from benchcon.cli.questions import CONNECT, MENU
from benchcon.demo import panel_path
from benchcon.errors import Trouble
from benchcon.gate import Gate, own_codes
from benchcon.text import printable
from benchcon.wire.codec import seal

NASTY = "\x1b]0;owned\x07\x1b[31mred\x9b31m\u202e\x7f\r"
HEADER = b"benchcon capture 1 began=2026-03-01T12:00:00.000000Z unit=us\n"
BENCHCON = [sys.executable, "-m", "benchcon"]


def odd(text: str) -> set[str]:
    codes = {each for each in text if (ord(each) < 32 and each not in "\n\t") or 127 <= ord(each) < 160}
    return codes | ({"\u202e"} & set(text))


@given(st.text())
def test_nothing_passes_but_lines_tabs_and_what_can_be_shown(text: str) -> None:
    out = io.StringIO()
    assert Gate(out).write(text) == len(text)
    assert not odd(out.getvalue())
    assert all(char.isprintable() or char in "\n\t\u200c\u200d" for char in out.getvalue())


def test_joiners_pass_where_scripts_are_written_with_them_and_nowhere_else() -> None:
    # The Unicode Standard 16.0, section 23.2 (Persian) and sections 12.1 and 13.2 (Hindi, Sinhala).
    persian = "\u0645\u06cc\u200c\u062e\u0648\u0627\u0647\u0645"
    for word in (persian, "\u0915\u094d\u200d\u0937", "\u0dc1\u0dca\u200d\u0dbb\u0dd3"):
        out = io.StringIO()
        Gate(out).write(word)
        assert out.getvalue() == word
        assert printable(word) == word
        assert printable(word.encode()) == word
    # Between letters that never join, or behind another joiner, it would only hide.
    hidden = ("ab\u200dc", "\u200cab", "1\u200c2", persian.replace("\u200c", 2 * "\u200c"))
    for text in (*hidden, "\u0645\u202e\u062e", "\u0645\u200f", "a\u00adb"):
        assert "\\u" in printable(text) or "\\x" in printable(text)


@given(st.recursive(st.text() | st.integers(), lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner)))
def test_json_stays_json_and_says_the_same(value: object) -> None:
    for encoding in ("utf-8", "ascii", "latin-1"):
        raw = io.BytesIO()
        out = io.TextIOWrapper(raw, encoding=encoding)
        Gate(out).write(json.dumps(value, ensure_ascii=False, indent=1))
        out.flush()
        text = raw.getvalue().decode(encoding)
        assert not odd(text)
        assert json.loads(text) == value


def test_the_program_s_own_codes_pass() -> None:
    out = io.StringIO()
    own_codes(Gate(out), "\a")
    own_codes(out, "\a")
    assert out.getvalue() == "\a\a"


def test_trouble_is_printable_whoever_forgot() -> None:
    assert str(Trouble(f"a{NASTY}b")) == "a\\x1B]0;owned\\x07\\x1B[31mred\\x9B31m\\u202E\\x7F\\x0Db"


def nasty_capture(folder: Path) -> Path:
    quoted = "".join(f"%{byte:02X}" for byte in NASTY.encode())
    frame = {
        "form": 1,
        "at_us": 0,
        "records": 0,
        "notes": 0,
        "panel": {"text": f'# {NASTY}\n[boards.desk]\nident = "{NASTY}"', "digest": NASTY},
        "boards": [
            {
                "source": 1,
                "ident": NASTY,
                "name": NASTY,
                "link": "linked",
                "known": True,
                "channels": [
                    {"id": f"=cmd|'/c x'!A1{NASTY}", "kind": f"@{NASTY}", "value": 1},
                    {"id": "sw1", "kind": "contact", "detail": {"label": NASTY}, "value": 0},
                ],
            }
        ],
        "observer": {"boards": []},
    }
    lines = [
        b"0 0 = " + json.dumps(frame).encode(),
        b"1 1 ~ lost port=x why=" + quoted.encode(),
        b"2 1 < " + seal(b"!0001 00000001 is sw1=1"),
        b"3 0 * mark " + NASTY.encode().replace(b"\r", b""),
    ]
    path = folder / "x.capture"
    path.write_bytes(HEADER + b"\n".join(lines) + b"\n")
    return path


@pytest.mark.slow
def test_no_command_lets_codes_of_a_capture_through(tmp_path: Path) -> None:
    path = nasty_capture(tmp_path)
    (tmp_path / "x.capture.toml").write_text(f'against = ["state", "simulated"]\nignore = ["{"x" * 3}"]\n')
    for words in (
        ["check", path],
        ["replay", path, "--headless"],
        ["replay", path, "--headless", "--json"],
        ["replay", path, "--against", "state"],
        ["replay", path, "--against", "simulated"],
        ["replay", path, "--against", "native"],
        ["compare", path, path],
        ["export", path, "-o", tmp_path / "x.csv"],
        ["export", path, "-o", tmp_path / f"{NASTY}.png"],
        ["console", "--panel", tmp_path / NASTY],
        [NASTY],
        ["replay", path, f"--{NASTY}"],
    ):
        done = subprocess.run(
            [*BENCHCON, *map(str, words)], capture_output=True, text=True, cwd=tmp_path, stdin=subprocess.DEVNULL
        )
        assert not odd(done.stdout + done.stderr), words
        assert "unexpected" not in done.stderr, (words, done.stderr)
        assert "Traceback" not in done.stderr
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-p", "no:cacheprovider", "-rA", str(path)],
        capture_output=True,
        text=True,
        cwd=tmp_path,
    )
    assert not odd(done.stdout + done.stderr)
    assert "sw1" in done.stdout


def test_a_table_for_spreadsheets_holds_neither_formulas_nor_codes(tmp_path: Path) -> None:
    path = nasty_capture(tmp_path)
    subprocess.run([*BENCHCON, "export", path, "-o", tmp_path / "x.csv"], check=True)
    text = (tmp_path / "x.csv").read_bytes().decode()
    assert not odd(text.replace("\r\n", "\n"))
    assert "'=cmd|" in text
    for row in text.splitlines():
        assert not any(cell.startswith(("=", "@", '"=')) for cell in row.split(","))


def test_a_terminal_that_knows_ascii_only(tmp_path: Path) -> None:
    panel = tmp_path / "desk.toml"
    panel.write_text('[boards.desk]\n[lamps.l1]\nchannel = "desk.l1"\nlabel = "Ölstand – niedrig"\ncolour = "grün"\n')
    for words in (["check", panel], ["check", tmp_path / "ö.toml"], ["ports"], ["--help"], ["compare", "ä", "ö"]):
        done = subprocess.run(
            [*BENCHCON, *map(str, words)],
            capture_output=True,
            env={
                **os.environ,
                "LC_ALL": "C",
                "PYTHONUTF8": "0",
                "PYTHONIOENCODING": "ascii",
            },
            timeout=60,
        )
        assert b"unexpected" not in done.stderr, done.stderr
        assert (done.stdout + done.stderr).isascii()


@pytest.mark.parametrize("closed", few_of(["<&-", "2>&-", "<&- >&-", ">&-", "<&- >&- 2>&-"]))
def test_closed_standard_streams(tmp_path: Path, closed: str) -> None:
    path = nasty_capture(tmp_path)
    for words, code in (
        ("check nothing.toml", 2),
        (f"export {path} -o {{}}.csv --force", 0),
        ("--help", 0),
        ("console", 2),
    ):
        command = f"{sys.executable} -m benchcon {words.format(tmp_path / 'x')} {closed}"
        done = subprocess.run(
            ["sh", "-c", command], capture_output=True, text=True, timeout=60, stdin=subprocess.DEVNULL
        )
        assert done.returncode == code, (words, done.stderr)
        assert "unexpected" not in done.stderr
        assert "Traceback" not in done.stderr
    assert (tmp_path / "x.csv").read_text().startswith("at_us,"), "nothing was printed into it"
    assert "benchcon" not in (tmp_path / "x.csv").read_text()


def test_names_that_are_too_long(tmp_path: Path) -> None:
    path, name = nasty_capture(tmp_path), "x" * 300
    for words in (
        ["check", name],
        ["export", path, "-o", f"{name}.csv"],
        ["record", "-o", f"{name}.capture", "/dev/null"],
        ["compare", path, path, "--html", name],
        ["replay", path, "--against", "state", "--junit", name],
        ["firmware", panel_path(), "--board", "lighting", "-o", name],
        ["walk", "--panel", panel_path(), "--report", name, "/dev/null"],
        ["check", "a/" * 3000],
    ):
        done = subprocess.run([*BENCHCON, *map(str, words)], capture_output=True, text=True, cwd=tmp_path, timeout=60)
        assert done.returncode == 2, words
        assert len(done.stderr.splitlines()) <= 2
        assert "File name too long" in done.stderr
        assert "unexpected" not in done.stderr


def test_on_a_terminal_lines_are_broken_between_words(tmp_path: Path) -> None:
    """The tester's screen: `often has onl` at the end of one row, `y the two wires` on the next."""
    env = {"BENCHCON_HOME": str(tmp_path / "home"), "TMPDIR": str(tmp_path)}
    with Terminal("-m", "benchcon", columns=80, rows=40, env=env, cwd=tmp_path) as terminal:
        terminal.see("Nothing is plugged in over USB", "1 to 5, or q:")
        terminal.press("4", "enter")
        terminal.see("'benchcon console PORT' opens it", "from then on.")
        said = [row.rstrip() for row in terminal.screen.display]
        words = set(f"{MENU}{CONNECT} 1 to 5, or q: 4".split())
        assert {word for row in said for word in row.split()} <= words
        listed = [row for row in said[said.index("To connect a board:") + 2 :] if row and "q:" not in row]
        assert all(row.startswith(("- ", "  ")) for row in listed)  # the rest of a point hangs under its words


@example(["cbb-  a   a ab cac - "], 20)  # its last row is full before the space
@given(st.lists(st.text("ab c-", max_size=60), max_size=6), st.integers(20, 60))
def test_what_a_terminal_gets_is_the_same_words_and_no_row_breaks_one(texts: list[str], width: int) -> None:
    class Screen(io.StringIO):
        def isatty(self) -> bool:
            return True

        def fileno(self) -> int:
            return 0

    out, whole = Screen(), "".join(texts)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(os, "get_terminal_size", lambda number: os.terminal_size((width, 24)))
        gate = Gate(out)
        for text in texts:
            gate.write(text + "\n")
    got = out.getvalue()
    assert got.split() == "\n".join(texts).split()
    assert whole.count(" ") or got.replace("\n", "") == whole
    for row in got.split("\n"):
        assert len(row) <= width or len(row.split()) < 2


def test_json_on_a_terminal_stays_one_line() -> None:
    class Screen(io.StringIO):
        def isatty(self) -> bool:
            return True

        def fileno(self) -> int:
            return 0

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(os, "get_terminal_size", lambda number: os.terminal_size((20, 24)))
        out = Screen()
        Gate(out).write('{"word": "a line that is longer than twenty columns"}\n')
    assert out.getvalue().count("\n") == 1
