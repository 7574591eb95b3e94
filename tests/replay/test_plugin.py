"""The pytest plugin on real captures, in a pytest of its own."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from junitparser import JUnitXml
from replay.story import evening, write

from benchcon.capture.store import pack
from benchcon.errors import Trouble
from benchcon.replay.cases import case_of, settings_of
from benchcon.replay.keyframes import hold_against_keyframes


def run(folder: Path, *words: str) -> tuple[int, str]:
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-p", "no:cacheprovider", "-v", *words, str(folder)],
        capture_output=True,
        text=True,
        cwd=folder,
    )
    return done.returncode, done.stdout + done.stderr


def test_every_channel_is_a_test_and_files_of_other_names_are_left_alone(tmp_path: Path) -> None:
    evening().write(tmp_path / "night.capture")
    assert pack(evening().write(tmp_path / "x.txt"), tmp_path / "packed.capture.gz")
    code, text = run(tmp_path)
    assert code == 0, text
    assert "night.capture::state::lighting.sw1 PASSED" in text
    assert "packed.capture.gz::state::met.d1 PASSED" in text
    assert "x.txt" not in text


POINTER = "version 1\noid sha256:4d7a214614ab2935c943f9e0ff69d22eadbb8f32b1258daaa5e2ca24d17e2393\nsize 12345\n"


@pytest.mark.slow
@pytest.mark.parametrize("raw", [b"", POINTER.encode(), b"\0\xff random \x1b[2J\n", b"\x1f\x8b\x08\0damaged"])
@pytest.mark.parametrize("name", ["bad.capture", "bad.capture.gz"])
def test_a_capture_that_cannot_be_read_fails(tmp_path: Path, name: str, raw: bytes) -> None:
    evening().write(tmp_path / "night.capture")
    (tmp_path / name).write_bytes(raw)
    code, text = run(tmp_path, "--continue-on-collection-errors")
    assert code == 1
    assert f"ERROR {name}" in text
    assert "night.capture::state::lighting.sw1 PASSED" in text, "the others are run"
    assert "Traceback" not in text
    assert "INTERNALERROR" not in text
    assert "\x1b[2J" not in text
    checked = subprocess.run(
        [sys.executable, "-m", "benchcon", "check", str(tmp_path / name)], capture_output=True, text=True
    )
    assert checked.returncode in (1, 2)
    assert "panel file" not in checked.stdout + checked.stderr


@pytest.mark.slow
def test_a_capture_of_which_only_the_header_is_left_fails(tmp_path: Path) -> None:
    evening().write(tmp_path / "cut.capture")
    whole = (tmp_path / "cut.capture").read_bytes()
    (tmp_path / "cut.capture").write_bytes(whole[: whole.index(b"\n") + 1])
    code, text = run(tmp_path)
    assert code == 1
    assert "nothing follows the header" in text


def test_a_damaged_file_with_settings_beside_it_harms_no_other(tmp_path: Path) -> None:
    evening().write(tmp_path / "night.capture")
    (tmp_path / "bad.bin").write_bytes(b"\x1f\x8b\x08\0" + bytes(6) + b"\xff" * 40)
    (tmp_path / "bad.bin.toml").write_text("")
    code, text = run(tmp_path)
    assert code == 0, text


@pytest.mark.parametrize("key", ["panel", "faults"])
@pytest.mark.parametrize("place", ["/etc/hostname", "../secret.toml", "link.toml"])
def test_settings_name_only_files_beside_them(tmp_path: Path, key: str, place: str) -> None:
    folder = tmp_path / "captures"
    folder.mkdir()
    (tmp_path / "secret.toml").write_text("the first line of a secret\n")
    (folder / "link.toml").symlink_to("../secret.toml")
    path = evening().write(folder / "night.capture")
    (folder / "night.capture.toml").write_text(f'against = "simulated"\n{key} = "{place}"\n')
    with pytest.raises(Trouble, match=r"must be beside night\.capture\.toml") as caught:
        case_of(path)
    assert "secret\n" not in str(caught.value)
    assert "first line" not in str(caught.value)


def test_another_name_with_a_toml_beside_it(tmp_path: Path) -> None:
    evening().write(tmp_path / "session.log")
    (tmp_path / "session.log.toml").write_text('against = "state"\n')
    code, text = run(tmp_path)
    assert code == 0, text
    assert "session.log::state::(run) PASSED" in text


def test_a_difference_is_shown_like_a_good_assertion(tmp_path: Path) -> None:
    # A keyframe that does not say what the records before it made: as if the state's code had changed.
    path = evening().write(tmp_path / "night.capture")
    lines = path.read_text().splitlines(keepends=True)
    at = [number for number, line in enumerate(lines) if " 0 = " in line[:30]][2]
    head, _, body = lines[at].partition(" = ")
    frame = json.loads(body)
    board = next(board for board in frame["boards"] if board["ident"] == "lighting")
    channel = next(channel for channel in board["channels"] if channel["id"] == "sel1")
    channel["value"] = 4
    lines[at] = f"{head} = {json.dumps(frame, separators=(',', ':'))}\n"
    # Sync lines would tell that the file was changed; a file written by another version has none of that.
    path.write_text("".join(line for line in lines if " 0 # " not in line[:30]))
    xml = tmp_path / "out.xml"
    code, text = run(tmp_path, f"--junitxml={xml}")
    assert code == 1
    assert "night.capture::state::lighting.sel1 FAILED" in text
    assert "night.capture::state::lighting.sw1 PASSED" in text
    assert "night.capture against state: lighting.sel1 differs from the capture" in text
    assert "E   value was 4, worked out again it is" in text
    assert "Traceback" not in text
    assert "benchcon/replay" not in text, "no line of our code: it is not what is wrong"
    failed = [case.name for suite in JUnitXml.fromfile(str(xml)) for case in suite if case.result]
    assert failed == ["lighting.sel1"]


@pytest.mark.slow
def test_against_simulated_boards_one_of_them_broken(power_desk: Path, tmp_path: Path) -> None:
    shutil.copy(power_desk, tmp_path / "power.capture")
    (tmp_path / "faults.toml").write_text('[[faults]]\nkind = "stuck"\nchannel = "power.sw_main"\n')
    settings = 'against = ["state", "simulated"]\nignore = ["power.volts"]\nfast = true\nfaults = "faults.toml"\n'
    (tmp_path / "power.capture.toml").write_text(settings)
    code, text = run(tmp_path)
    assert code == 1, text
    assert "power.capture::simulated::power.sw_main FAILED" in text
    assert "power.capture::simulated::power.sb_on PASSED" in text
    assert "power.capture::simulated::power.l_main PASSED" in text
    assert "power.capture::state::power.sw_main PASSED" in text
    assert "power.capture::state::power.volts PASSED" in text
    assert "simulated::power.volts" not in text
    assert "made then, and not now" in text


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ('counts = 3\nagainst = ["moon"]\n', 'night.capture.toml:2: against is ["moon"]'),
        ("tolerance = 5\n", "night.capture.toml:1: tolerance is 5"),
        ('faults = "none.toml"\n', "there is no such file"),
        ("againts = 1\n", "did you mean"),
        ("against = [\n", "is not TOML"),
    ],
)
def test_mistakes_in_the_settings_are_said_with_their_line(tmp_path: Path, text: str, says: str) -> None:
    path = evening().write(tmp_path / "night.capture")
    (tmp_path / "night.capture.toml").write_text(text)
    with pytest.raises(Trouble) as caught:
        case_of(path)
    assert says in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_header_says_what_it_is_run_against(tmp_path: Path) -> None:
    write(tmp_path / "night.capture", evening().batches, words={"against": "moon"})
    code, out = run(tmp_path)
    assert code == 2
    assert "line 1: against 'moon'; known are state, simulated" in out
    assert "Traceback" not in out


def test_a_target_that_is_not_here_is_skipped_with_the_reason(tmp_path: Path) -> None:
    write(tmp_path / "night.capture", evening().batches, words={"against": "elsewhere"})
    (tmp_path / "conftest.py").write_text(
        "from benchcon.replay.targets import TARGETS\nTARGETS['elsewhere'] = 'no.such.module:start'\n"
    )
    code, out = run(tmp_path, "-rs")
    assert code == 0
    assert "'elsewhere' boards are not available here" in out


def test_the_live_state_is_worked_out_again_field_by_field(power_desk: Path) -> None:
    held = hold_against_keyframes(power_desk)
    assert held.keyframes == 1, "the last one, made of the live state when the recording ended"
    assert held.otherwise == []


def test_the_state_is_held_against_every_keyframe(tmp_path: Path) -> None:
    held = hold_against_keyframes(evening().write(tmp_path / "x", every=10))
    assert held.keyframes >= 8
    assert held.otherwise == []
    assert "lighting.sw1" in held.names


def test_the_plugin_loads_without_textual_and_pint() -> None:
    code = (
        "import sys, benchcon.pytest_plugin, benchcon.replay.verdict, benchcon.replay.cases;"
        "sys.exit(any(name.split('.')[0] in ('textual', 'pint') for name in sys.modules))"
    )
    assert subprocess.run([sys.executable, "-c", code]).returncode == 0


@pytest.mark.parametrize(
    ("raw", "says"),
    [
        (b'note = """\ncounts = 9\n"""\ncounts = "four"\n', ":4: counts is"),
        ("counts = 4\n".encode("utf-16"), "is UTF-16; save it as UTF-8"),
        (b"fast = yes\n", "yes is without quotes; write true"),
    ],
)
def test_a_mistake_in_a_captures_settings_is_at_its_line(tmp_path: Path, raw: bytes, says: str) -> None:
    path = evening().write(tmp_path / "x.capture")
    settings_of(path).write_bytes(raw)
    with pytest.raises(Trouble) as told:
        case_of(path)
    assert says in str(told.value)
