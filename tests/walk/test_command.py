"""``benchcon walk`` as a process: exit codes, what it prints, and going on after it was killed."""

from __future__ import annotations

import contextlib
import io
import json
import os
import shlex
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from junitparser import JUnitXml

from benchcon.cli.main import main
from benchcon.demo import Demo, panel_path, start
from benchcon.link.lock import PortLock

PANEL = str(panel_path())
PATIENCE_S = 90


@pytest.fixture(autouse=True)
def own_places(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("BENCHCON_HOME", str(tmp_path / "home"))
    monkeypatch.setenv("BENCHCON_LOCKS", str(tmp_path))


@pytest.fixture(scope="module")
def healthy() -> Iterator[Demo]:
    with start() as demo:
        yield demo


def walk(*words: str, typed: str | None = None) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "benchcon", "walk", *words]
    return subprocess.run(
        command,
        capture_output=True,
        text=True,
        timeout=PATIENCE_S,
        input=typed,
        stdin=None if typed is not None else subprocess.DEVNULL,
    )


def here(*words: str) -> subprocess.CompletedProcess[str]:
    """The same in this process: what it says and returns needs no second one."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = main(["walk", *words])
    return subprocess.CompletedProcess(["benchcon", "walk", *words], code, out.getvalue(), err.getvalue())


def ports(demo: Demo, *names: str) -> list[str]:
    return [desk.port for desk in demo.boards if not names or desk.name in names]


def hands_of(demo: Demo) -> list[str]:
    return [word for desk in demo.boards for word in ("--hand", desk.control)]


@pytest.mark.slow
def test_all_good_is_0_and_says_nothing_on_standard_output(healthy: Demo, tmp_path: Path) -> None:
    """The whole walk on all three desks."""
    report = tmp_path / "walked"
    head = ["--by", "A. Bench", "--serial", "OT-7"]
    before = datetime.now(UTC)
    run = walk("--panel", PANEL, *ports(healthy), *hands_of(healthy), "--report", str(report), *head)
    after = datetime.now(UTC)
    said = f"benchcon: 25 passed; the page to keep with the panel: {report / 'walk.html'}\n"
    assert (run.returncode, run.stdout, run.stderr) == (0, "", said)
    xml = JUnitXml.fromfile(str(report / "junit.xml"))
    assert sum(len(list(suite)) for suite in xml) == 26
    kept = json.loads((report / "walk.json").read_text())
    for each in report.iterdir():  # pages to be sent on tell no login name
        assert str(Path(PANEL).parent) not in each.read_text(), each.name
    assert {part["verdict"] for part in kept["parts"]} == {"passed"}
    assert [board["firmware"] for board in kept["boards"]] == ["benchcon simulated board 1"] * 3
    assert (kept["by"], kept["serial"], kept["simulated"], kept["untested"]) == ("A. Bench", "OT-7", True, [])
    began = datetime.fromisoformat(kept["began"])
    assert began.utcoffset() == datetime.now().astimezone().utcoffset()
    assert before - timedelta(seconds=1) < began <= began + timedelta(seconds=kept["took_s"]) < after
    links = [board["link"] for board in kept["boards"]]
    assert all(link["resets"] == link["missing"] == link["bad_here"] == 0 for link in links)
    assert all(4500 < link["least_mv"] <= link["rest_mv"] for link in links)  # healthy desks, 5 V
    again = walk("--panel", PANEL, *ports(healthy), *hands_of(healthy), "--report", str(report))
    assert again.returncode == 2
    assert "holds a finished walk; name another folder" in again.stderr
    nothing = walk("--panel", PANEL, *hands_of(healthy), "--report", str(report), "--failed")
    assert (nothing.returncode, nothing.stderr.count("\n")) == (2, 1)
    assert "nothing left to do" in nothing.stderr
    old = ["--compare", str(report)]
    more = walk("--panel", PANEL, *hands_of(healthy), "--only", "crosswind", "--json", *old)
    told = json.loads(more.stdout)
    assert (more.returncode, told["result"]) == (0, "passed")
    assert told["changes"] == []
    plain = walk("--panel", PANEL, *hands_of(healthy), "--only", "Crosswind", *old)
    assert plain.stdout.splitlines() == [
        f"since {report}: nothing has changed",
        f"since {report}: 24 parts not asked this time, and so not compared",
    ]


@pytest.mark.slow
def test_after_a_weak_supply_failed_asks_for_all_lit_together_once_more(tmp_path: Path) -> None:
    """3 ohm in the supply of a desk that takes 168 mA: it sags by 0.5 V (Ohm's law), and names no part."""
    faults = tmp_path / "faults.toml"
    faults.write_text('[[faults]]\nkind = "weak_supply"\nboard = "met"\nresistance = "3 ohm"\nlimit = "4 V"\n')
    report = tmp_path / "walked"
    parts = ["crosswind", "wind_direction", "wind_speed", "pressure"]
    with start(faults) as demo:
        only = [word for part in parts for word in ("--only", part)]
        first = walk("--panel", PANEL, *hands_of(demo), "--report", str(report), *only)
        assert (first.returncode, first.stdout.count("weak supply")) == (1, 1), first.stderr
        before = lit_together(report)
        again = walk("--panel", PANEL, *hands_of(demo), "--report", str(report), "--failed")
        assert (again.returncode, again.stdout.count("weak supply")) == (1, 1), again.stderr
        assert lit_together(report) != before  # on the clock of another session
        demo.hands["met"].clear()
        mended = walk("--panel", PANEL, *hands_of(demo), "--report", str(report), "--failed")
        assert (mended.returncode, mended.stdout) == (0, ""), mended.stderr
        nothing = walk("--panel", PANEL, *hands_of(demo), "--report", str(report), "--failed")
        assert (nothing.returncode, nothing.stderr.count("nothing left to do")) == (2, 1)
    kept = json.loads((report / "walk.json").read_text())
    assert {part["name"]: part["verdict"] for part in kept["parts"] if part["verdict"] != "not asked"} == dict.fromkeys(
        parts, "passed"
    )


def lit_together(report: Path) -> int:
    """When all was last looked at together: host time in microseconds."""
    (row,) = [r for r in json.loads((report / "walk.json").read_text())["evidence"] if r["done"] == "all lit"]
    return max(each["at_us"] for each in row["evidence"])


@pytest.mark.slow
def test_what_is_wrong_is_1_and_one_line_each_and_asked_again_with_failed(tmp_path: Path) -> None:
    faults = tmp_path / "faults.toml"
    faults.write_text(
        '[[faults]]\nkind = "crossed"\nchannels = ["lighting.sw_rwy", "lighting.sw_twy"]\n'
        '[[faults]]\nkind = "dead"\nchannel = "power.l_batt"\n'
        '[[faults]]\nkind = "segments_swapped"\nchannel = "met.d_spd"\nfirst = "A"\nsecond = "D"\n'
        '[[faults]]\nkind = "reversed"\nchannel = "met.enc_qnh"\n'
    )
    report = str(tmp_path / "walked")
    with start(faults) as demo:
        run = walk("--panel", PANEL, *hands_of(demo), "--report", report)
        assert run.returncode == 1
        assert [line.split(":")[0] for line in run.stdout.splitlines()] == [
            "lighting.sw_rwy, lighting.sw_twy",
            "met.enc_qnh",
            "power.l_batt",
            "met.d_spd",
        ]
        demo.hands["power"].clear()
        demo.hands["met"].clear()
        run = walk("--panel", PANEL, *hands_of(demo), "--report", report, "--failed", "--compare", report)
    assert run.returncode == 1
    findings = [line for line in run.stdout.splitlines() if not line.startswith("since ")]
    assert [line.split(":")[0] for line in findings] == ["lighting.sw_rwy, lighting.sw_twy"]
    assert f"since {report}: battery_low: faulty before, passed now" in run.stdout
    kept = json.loads((tmp_path / "walked" / "walk.json").read_text())
    assert kept["counts"]["passed"] == 23
    assert len(kept["kept"]) == 20
    assert "Not asked again" in (tmp_path / "walked" / "walk.html").read_text()


@pytest.mark.slow
def test_killed_in_the_middle_it_goes_on_where_it_stopped(healthy: Demo, tmp_path: Path) -> None:
    report = tmp_path / "walked"
    parts = ("approach", "taxiway", "lamp_test", "pressure_unit", "mains", "approach_lit", "mains_fail", "crosswind")
    words = ["--panel", PANEL, *hands_of(healthy), "--report", str(report)]
    words += [word for part in parts for word in ("--only", part)]
    run = subprocess.Popen([sys.executable, "-m", "benchcon", "walk", *words], stderr=subprocess.DEVNULL)
    journal = report / "journal.jsonl"
    until = time.monotonic() + PATIENCE_S
    while time.monotonic() < until and not (journal.exists() and journal.read_bytes().count(b'"done":') >= 4):
        assert run.poll() is None
        time.sleep(0.01)
    run.send_signal(signal.SIGKILL)
    run.wait(PATIENCE_S)
    before = [json.loads(line)["done"] for line in journal.read_bytes().splitlines() if b'"done":' in line]
    assert len(before) >= 4
    again = walk(*words)
    assert again.returncode == 0
    assert "is continued at part" in again.stderr
    assert again.stderr.endswith(f"; the page to keep with the panel: {report / 'walk.html'}\n")
    assert "benchcon: 8 passed, 17 not asked; " in again.stderr
    lines = [json.loads(line) for line in journal.read_text().splitlines()]
    kept = json.loads((report / "walk.json").read_text())
    assert (kept["began"], kept["kept"]) == (lines[0]["began"], [])
    asked = [line["done"] for line in lines if "done" in line]
    assert asked[: len(before)] == before
    assert len(asked) == len(set(asked)) == len(parts) + 3  # all dark, hands off, and what “mains” feeds


@pytest.mark.slow
def test_ctrl_c_leaves_and_says_how_to_go_on(healthy: Demo, tmp_path: Path) -> None:
    report = tmp_path / "walked"
    command = [sys.executable, "-m", "benchcon", "walk", "--panel", PANEL, *ports(healthy), "--report", str(report)]
    run = subprocess.Popen(command, stdin=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    assert run.stderr is not None
    said = ""
    while "should be dark" not in said:
        said += run.stderr.readline()
    run.send_signal(signal.SIGINT)
    _, rest = run.communicate(timeout=PATIENCE_S)
    assert run.returncode == 128 + signal.SIGINT  # README, exit codes: it was not through
    assert "Traceback" not in rest
    last = rest.splitlines()[-1]
    assert "the walk was stopped before its end; 0 parts done so far; to continue from here: " in last
    # It can be typed as it stands.
    again = shlex.split(last.partition("from here: ")[2])
    assert sorted(again) == sorted(["benchcon", *command[3:]])
    on = subprocess.run([*command[:3], *again[1:]], input="\n", capture_output=True, text=True, timeout=PATIENCE_S)
    assert on.returncode == 2
    assert "to continue from here: " in on.stderr
    back = subprocess.run([*command[:3], *again[1:]], input="", capture_output=True, text=True, timeout=PATIENCE_S)
    assert f"benchcon: {report.name}, begun " in back.stderr  # one look is done, so that there is something to go on


@pytest.mark.slow
def test_without_a_panel_file_the_boards_own_description_is_walked(healthy: Demo) -> None:
    hand = next(desk for desk in healthy.boards if desk.name == "power")
    run = here("--hand", hand.control, "--only", "mains", "--only", "mains_fail", "--json")
    told = json.loads(run.stdout)
    # The board does not say that its contact is a switch's: it is walked as a push button.
    assert {part["name"]: part["verdict"] for part in told["parts"] if part["verdict"] != "not asked"} == {
        "mains": "passed",
        "mains_fail": "passed",
    }


@pytest.mark.slow
def test_a_person_answers_in_a_plain_terminal(healthy: Demo, monkeypatch: pytest.MonkeyPatch) -> None:
    words = ["--panel", PANEL, *ports(healthy), "--only", "mains_fail", "--only", "wind_speed"]
    # Dark, a lamp that is not there, a note, another lamp lit, pictures of which only the first is other. After it
    # the display is looked at more closely: there are more Enters than it needs.
    monkeypatch.setattr("sys.stdin", io.StringIO("\nmains_fial\nn looks tired\nstandby_fail\n01\n" + "\n" * 40))
    run = here(*words)
    assert run.returncode == 1
    assert "Every lamp and display should be dark now." in run.stderr
    assert "? there is no lamp 'mains_fial'" in run.stderr
    assert "power.l_main" in run.stdout
    assert "met.d_spd: " in run.stdout
    monkeypatch.setattr("sys.stdin", io.StringIO("\n"))
    left = here(*words)
    assert (left.returncode, left.stdout) == (2, "")
    assert left.stderr.splitlines()[-1].startswith(
        "benchcon: the walk was stopped before its end; nothing of it is saved"
    )


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--failed"], "name its folder with --report"),
        (["--panel", "/no/such.toml", "/dev/null"], "/no/such.toml cannot be read"),
        (["--compare", "/no/such"], "walk.json: cannot be read"),
        (["--hand", "nonsense"], "is not a HAND"),
        (["--hand", "tcp:127.0.0.1:1"], "127.0.0.1:1"),
        ([], "no port is named"),
        (["--new"], "name its folder with --report"),
        (["--wiggle", "all", "--soak", "1 s"], "one after the other"),
        (["--wiggle", "all", "--only", "mains"], "--only has no effect with --wiggle"),
        (["--soak", "1 s", "--report", "x", "--failed"], "--failed, --report have no effect with --soak"),
        (["--soak", "soon"], "--soak: the duration "),
    ],
)
def test_what_cannot_be_done_is_2_and_one_line(words: list[str], said: str) -> None:
    run = here(*words)
    assert (run.returncode, run.stdout) == (2, "")
    assert said in run.stderr
    assert run.stderr.count("\n") == 1


def test_names_that_are_not_there_and_boards_that_are_missing(healthy: Demo) -> None:
    run = here("--panel", PANEL, *hands_of(healthy), "--only", "mains_fial")
    assert (run.returncode, run.stderr) == (
        2,
        "benchcon: the panel has no part 'mains_fial'; did you mean 'mains_fail'?\n",
    )
    run = here("--panel", PANEL, *hands_of(healthy), "--only", "hPa/inHg")  # what the panel calls it, not the file
    assert "no part 'hPa/inHg'; did you mean 'pressure_unit'?" in run.stderr
    run = here("--panel", PANEL, *hands_of(healthy), "--wiggle", "mains_fail")
    assert (run.returncode, run.stderr.count("\n")) == (2, 1)  # what is wrong, and not first how to end it
    assert "mains_fail has no input whose value is known" in run.stderr
    one = next(desk for desk in healthy.boards if desk.name == "met")
    run = here("--panel", PANEL, one.port, *hands_of(healthy), "--only", "crosswind")
    assert run.returncode == 2
    assert "no board answers as lighting, power" in run.stderr


def test_who_holds_a_port_is_said(healthy: Demo) -> None:
    one = next(desk for desk in healthy.boards if desk.name == "met")
    lock = PortLock(one.port)
    lock.take()
    try:
        run = here("--panel", PANEL, one.port, *hands_of(healthy), "--only", "crosswind")
    finally:
        lock.release()
    assert (run.returncode, run.stderr.count("\n")) == (2, 1)
    assert "no board answers as" in run.stderr
    assert f"{one.port} is already open in this program" in run.stderr or f"process {os.getpid()})" in run.stderr


@pytest.mark.slow
def test_the_wiggle_watch_tells_drop_outs_until_ctrl_c(healthy: Demo) -> None:
    hand = healthy.hands["lighting"]
    hand.put("approach", 1)
    hand.fault("loose", "sw_app", every="200 ms", gap="40 ms")
    command = [
        sys.executable,
        "-m",
        "benchcon",
        "walk",
        "--panel",
        PANEL,
        *ports(healthy),
        "--wiggle",
        "lighting.sw_app",
    ]
    run = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    assert run.stderr is not None
    said = ""
    while "drop-out 2" not in said:
        said += run.stderr.readline()
    run.send_signal(signal.SIGINT)
    out, _ = run.communicate(timeout=PATIENCE_S)
    hand.clear()
    hand.put("approach", 0)
    assert run.returncode == 1
    assert out.startswith("lighting.sw_app: “Approach” dropped out ")
    assert out.count("\n") == 1


@pytest.mark.slow
def test_a_soak_of_healthy_desks_is_0_with_figures(healthy: Demo) -> None:
    run = walk("--panel", PANEL, *ports(healthy), "--soak", "1 s", "--json")
    told = json.loads(run.stdout)
    assert (run.returncode, [board["resets"] for board in told["boards"]]) == (0, [0, 0, 0])
    assert told["seconds"] >= 1
    wrong = walk("--panel", PANEL, *ports(healthy), "--soak", "long")
    assert (wrong.returncode, wrong.stderr.count("\n")) == (2, 1)
