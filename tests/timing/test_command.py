"""``benchcon timing``, and limits as tests."""

from __future__ import annotations

import json
import random
import re
import subprocess
import sys
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest
from junitparser import JUnitXml
from replay.story import write
from timing.known_delays import PANEL, KnownDelays
from timing.simulated_links import SimulatedLinks

from benchcon.cli.main import main


def evening(slow: int | None = None) -> KnownDelays:
    told, rng = KnownDelays(), random.Random(2)
    for number in range(20):
        at = 1e6 + number * 700_000
        told.move(at, "b1=1")
        told.move(at + 90_000, "b1=0")
        told.set(at + (180_000 if number == slow else rng.uniform(20_000, 80_000)), f"l1={500 * (number % 2 == 0):03X}")
    return told


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    # On the second lamp nothing is ever shown: "not moved" must not fail.
    (tmp_path / "desk.toml").write_text(PANEL)
    evening().write(tmp_path / "good.capture")
    evening(slow=6).write(tmp_path / "slow.capture")
    return tmp_path


def test_a_good_evening_passes(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    panel = PANEL.replace('answers = "hdg_button"\nwithin = "100 ms"\n\n[displays', "\n[displays")
    (here / "desk.toml").write_text(panel)
    assert main(["timing", "good.capture", "--panel", "desk.toml"]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    assert re.search(r"hdg_button → hdg_lit +\d\d\.\d ms +\d\d\.\d ms +\d\d\.\d ms +\d\d\.\d ms +100 ms", out)
    assert "passed: within 100 ms" in out
    assert "20 movements, 20 answered" in out
    assert "14 CFR part 60" in out
    assert max(map(len, out.splitlines())) < 250


def test_a_broken_limit_exits_with_1_and_says_where(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["timing", "slow.capture", "--panel", "desk.toml", "--json"]) == 1
    (report,) = json.loads(capsys.readouterr().out)
    pair = next(pair for pair in report["delays"] if pair["output"] == "hdg_lit")
    assert (pair["verdict"], pair["over_limit"], pair["clocks"]) == ("broken", 1, "one board")
    assert pair["worst_ms"] == pytest.approx(180, abs=0.1)
    assert max(pair["delays"], key=lambda one: one["delay_ms"])["at_s"] == pytest.approx(5.2, abs=0.01)


def test_junit_and_html(here: Path) -> None:
    assert (
        main(
            ["timing", "slow.capture", "good.capture", "--panel", "desk.toml", "--junit", "out.xml", "--html", "t.html"]
        )
        == 1
    )
    suites = list(JUnitXml.fromfile("out.xml"))
    assert len(suites) == 2
    assert [suite.name for suite in suites] == ["slow.capture against timing", "good.capture against timing"]
    failed = [case.name for case in suites[0] if case.is_failure]
    assert "hdg_button → hdg_lit" in failed
    assert "hdg_button → hdg_lit" in [case.name for case in suites[1] if case.is_passed]
    # Nobody turned the encoder: that is not a pass.
    assert "course → course_shown" in [case.name for case in suites[1] if case.is_skipped]
    page = (here / "t.html").read_text()
    ET.fromstring(f"<svg>{''.join(re.findall('<svg.*?</svg>', page))}</svg>")
    assert "180.0 ms" in page
    assert "<script" not in page


def test_what_is_there_is_not_overwritten(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (here / "t.html").write_text("mine")
    assert main(["timing", "good.capture", "--html", "t.html"]) == 2
    assert "exists already" in capsys.readouterr().err
    assert (here / "t.html").read_text() == "mine"


@pytest.mark.slow
def test_limits_are_tests_of_a_capture(here: Path) -> None:
    for name in ("good", "slow"):
        (here / f"{name}.capture.toml").write_text('against = "timing"\npanel = "desk.toml"\n')
    (here / "desk.toml").write_text(
        PANEL.replace('[lamps.hdg_far]\nchannel = "right.l1"\nanswers = "hdg_button"\nwithin = "100 ms"\n', "")
    )
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-p", "no:cacheprovider", "-v", str(here)],
        capture_output=True,
        text=True,
        cwd=here,
    )
    assert done.returncode == 1
    assert "good.capture::timing::hdg_button → hdg_lit PASSED" in done.stdout
    assert "slow.capture::timing::hdg_button → hdg_lit FAILED" in done.stdout
    assert "good.capture::timing::course → course_shown SKIPPED" in done.stdout
    assert "limit broken: 1 answer over 100 ms" in done.stdout


def test_what_is_wrong_with_a_link_is_named(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    write(here / "noisy.capture", SimulatedLinks("both", 1).stream())
    assert main(["timing", "noisy.capture", "--html", "links.html"]) == 0
    out = capsys.readouterr().out
    assert "links\ndesk: 1 line in " in out
    assert "other:" not in out
    assert "Cable or ground" in (here / "links.html").read_text()


def test_json_holds_contacts_and_links_too(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    write(here / "noisy.capture", SimulatedLinks("both", 1).stream())
    told = evening()
    for number in range(20):
        # 1.5 ms bounced, by the longest gap 1.2 ms (04B0h).
        told.edges(1e6 + number * 700_000 - 10_000, "b1=1", "012C", "04B0")
    told.write(here / "bouncing.capture")
    found = []
    for words in (["noisy.capture"], ["bouncing.capture", "--panel", "desk.toml"]):
        main(["timing", *words, "--json"])
        found += json.loads(capsys.readouterr().out)
    noisy, bouncing = found
    assert noisy["links"][0]["advice"]
    assert (noisy["contacts"], bouncing["links"]) == ([], [])
    (button,) = bouncing["contacts"]
    assert (button["control"], button["settling_longest_ms"], button["longest_gap_ms"]) == ("hdg_button", 1.5, 1.2)


def test_limits_that_were_never_tried_are_not_kept(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    told = KnownDelays()
    told.move(1e6, "sw1=1")
    told.write(here / "still.capture")
    assert main(["timing", "still.capture", "--panel", "desk.toml"]) == 2
    assert capsys.readouterr().err == "benchcon: no limit was tried: none of the controls with one was moved\n"
    # Of several captures it is enough that one tried one.
    assert main(["timing", "still.capture", "good.capture", "--panel", "desk.toml"]) in (0, 1)
