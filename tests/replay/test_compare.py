"""Comparing captures: what counts, what does not, and how it is said."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from replay.story import Story, evening

from benchcon.replay.compare import Comparison, compare
from benchcon.replay.compare_html import as_html
from benchcon.replay.compare_text import as_json, as_text
from benchcon.replay.tracks import Recording, Track, tracks_of

BENCHCON = [sys.executable, "-m", "benchcon"]


def compared(tmp_path: Path, a: Story, b: Story, **how: object) -> Comparison:
    one = tracks_of(a.write(tmp_path / "a.capture"))
    other = tracks_of(b.write(tmp_path / "b.capture"))
    return compare(one, other, **how)  # type: ignore[arg-type]


def differing(comparison: Comparison) -> dict[str, list[str]]:
    return {
        name: [difference.sort for difference in one.differences]
        for name, one in comparison.channels.items()
        if one.count
    }


def test_what_does_not_matter_is_no_difference(tmp_path: Path) -> None:
    # Another time of day, other running numbers and clocks, other heartbeats, other keyframes: the same evening.
    other = evening(7300, numbers=500)
    other.wait(500).alive(1).alive(2)
    one, another = tracks_of(evening().write(tmp_path / "a")), tracks_of(other.write(tmp_path / "b", every=7))
    comparison = compare(one, another)
    assert differing(comparison) == {}
    assert comparison.offset_us == 7_300_000
    # Counted in the story: eight channels, and for each of its two boards whether it was dark, reset, refused anything.
    assert "8 channels compared: 8 the same within 100 ms, 0 different" in as_text(comparison)
    assert "of whole boards (dark, refused, resets): 6 compared, 6 the same" in as_text(comparison)


@pytest.mark.parametrize(
    ("change", "expected"),
    [
        ({"missing": 5}, {"lighting.sw1": ["missing", "missing"]}),
        ({"extra": 3}, {"met.b1": ["extra", "extra"]}),
        ({"level": 8}, {"lighting.l1": ["value"]}),
        ({"noise": 3}, {}),  # within four counts of a potentiometer
        ({"noise": 30}, {"lighting.p1": ["extra", *["value"] * 11]}),
    ],
)
def test_each_sort_of_difference_is_found(
    tmp_path: Path, change: dict[str, int], expected: dict[str, list[str]]
) -> None:
    assert differing(compared(tmp_path, evening(), evening(4000, **change))) == expected


def test_a_reset_is_a_difference(tmp_path: Path) -> None:
    found = differing(compared(tmp_path, evening(), evening(reset=1)))
    assert found["met.(resets)"] == ["extra"]


def test_lateness_beyond_the_tolerance(tmp_path: Path) -> None:
    late = evening(late=5)
    assert differing(compared(tmp_path, evening(), late, tolerance_us=80_000)) == {}
    comparison = compared(tmp_path, evening(), late, tolerance_us=60_000)
    assert differing(comparison) == {"lighting.sw1": ["late"]}
    assert "open comes 70.0 ms later in B" in as_text(comparison)


def assert_numbers_add_up(comparison: Comparison) -> None:
    """Every channel of either recording is accounted for once in the lines at the end of the report."""
    text = as_text(comparison)

    def found(pattern: str) -> int:
        return sum(int(number) for number in re.findall(pattern, text, re.MULTILINE))

    both = found(r"^(\d+) channels compared:")
    assert both == found(r"compared: (\d+) the same") + found(r" (\d+) different$")
    for name, recording in (("A", comparison.a), ("B", comparison.b)):
        (size,) = re.findall(rf"^{name} .*, (\d+) channels$", text, re.MULTILINE)
        out = sum(1 for each in comparison.left_out if each in recording.tracks and "(" not in each)
        assert int(size) == both + found(rf"^(\d+) only in {name}") + out
        assert recording.tracks


@pytest.mark.parametrize("ignore", [(), ("lighting.*",), ("met.b1", "*.sw1")])
def test_the_numbers_of_the_report_add_up(tmp_path: Path, ignore: tuple[str, ...]) -> None:
    # One recording of both desks, one of fewer channels: what is only in one is neither lost nor counted twice.
    one = tracks_of(evening().write(tmp_path / "a"))
    other = tracks_of(evening().write(tmp_path / "b"))
    for name in [name for name in other.tracks if name.startswith("met.b")]:
        del other.tracks[name]
    for a, b in ((one, other), (other, one)):
        comparison = compare(a, b, ignore=ignore)
        assert_numbers_add_up(comparison)
        here = "A" if a is one else "B"
        assert (f"only in {here}, which counts as different: met.b1" in as_text(comparison)) is ("met.b1" not in ignore)


def test_ignored_channels(tmp_path: Path) -> None:
    comparison = compared(tmp_path, evening(), evening(missing=5, level=3), ignore=["lighting.sw*", "*.l1"])
    assert differing(comparison) == {}
    assert comparison.ignored == 2
    assert "2 left out, ignored, as was asked for: lighting.sw1, lighting.l1" in as_text(comparison)
    assert_numbers_add_up(comparison)


def test_a_recording_that_ends_earlier_is_compared_as_far_as_it_goes(tmp_path: Path) -> None:
    short = evening()
    short.batches = short.batches[: len(short.batches) // 2]
    assert differing(compared(tmp_path, evening(), short)) == {}
    assert differing(compared(tmp_path, short, evening())) == {}


def test_what_stood_at_the_beginning_is_compared(tmp_path: Path) -> None:
    def with_switch(value: int) -> Story:
        return Story().ask(1, "read all", f"read FFFF 00000000 00 sw1={value} sel1=2 l1=000 p1=0200").wait(500).alive(1)

    comparison = compared(tmp_path, with_switch(0), with_switch(1))
    assert differing(comparison) == {"lighting.sw1": ["start"]}
    assert "begins as open in A, as made in B" in as_text(comparison)


def test_the_first_difference_in_context(tmp_path: Path) -> None:
    text = as_text(compared(tmp_path, evening(), evening(3000, missing=5, level=9)))
    lines = text.splitlines()
    first = next(number for number, line in enumerate(lines) if line.startswith("first difference"))
    assert "lighting.sw1" in lines[first]
    assert "open in A, and not in B" in lines[first]
    context = lines[first + 2 : lines.index("", first)]
    (here,) = [line for line in context if line.startswith(">")]
    assert here.split() == [">", lines[first].split("at ")[1].split(" s")[0], "open", "-"]
    # What stood before is there on both sides.
    assert context[0].split()[1::2] == ["made", "made"]
    assert any("lighting.l1" in line and "1 value" in line for line in lines)


def test_one_press_that_lasts_longer_is_one_difference(tmp_path: Path) -> None:
    """Half a second more on one button, and everything after it follows half a second later."""

    def story_from(start: int, longer_ms: int) -> Story:
        story = Story(start)
        for number in range(8):
            channel, source = ("sw1", 1) if number % 2 else ("b1", 2)
            story.wait(700).notification(source, f"is {channel}=1").wait(300 + (longer_ms if number == 2 else 0))
            story.notification(source, f"is {channel}=0").alive(1).alive(2)
        return story.wait(500)

    comparison = compared(tmp_path, story_from(1000, 0), story_from(9000, 500))
    assert differing(comparison) == {"met.b1": ["late"]}
    text = as_text(comparison)
    assert "first difference: met.b1" in text
    assert "open comes 500.0 ms later in B" in text
    assert re.search(r"^From met\.b1 at \d\.\d+ s on, B does the same 0\.500 s later", text, re.MULTILINE)
    shorter = compared(tmp_path, story_from(1000, 500), story_from(9000, 0))
    assert differing(shorter) == {"met.b1": ["early"]}
    assert compare(shorter.a, shorter.b, offset_us=0).count > 5, "where the time is known nothing is taken out"


def test_dark_is_not_known_before_the_board_has_told(tmp_path: Path) -> None:
    first = Story().wait(200).notification(1, "is sw1=1").wait(500).write(tmp_path / "x.capture")
    assert "lighting.(dark)" not in tracks_of(first).tracks
    told = (
        Story()
        .wait(200)
        .notification(1, "is sw1=1")
        .wait(500)
        .notification(1, "alive 0007 0000 0000 0000 01F4 1388 01")
    )
    track = tracks_of(told.write(tmp_path / "y.capture")).tracks["lighting.(dark)"]
    assert list(track.values) == [1], "it was dark from the beginning, and never said otherwise"


BOUNCES = st.lists(st.tuples(st.integers(1, 500), st.sampled_from(["sw1", "b1"])), max_size=30)


@settings(deadline=None, max_examples=40)
@given(BOUNCES, st.integers(0, 10**7))
def test_anything_is_the_same_as_itself_at_another_time(tmp_path_factory, moves, shift_us: int) -> None:
    def story_from(start: int) -> Story:
        story, values = Story(start), {"sw1": 0, "b1": 0}
        for gap_ms, channel in moves:
            values[channel] ^= 1
            story.wait(gap_ms).notification(1 if channel == "sw1" else 2, f"is {channel}={values[channel]}")
        return story.wait(500).alive(1).alive(2)

    tmp_path = tmp_path_factory.mktemp("c")
    comparison = compared(tmp_path, story_from(1000), story_from(1000 + shift_us))
    assert differing(comparison) == {}


@settings(deadline=None, max_examples=60)
@given(st.lists(st.integers(200, 900), min_size=2, max_size=30), st.data())
def test_every_single_change_left_out_is_found(gaps: list[int], data) -> None:
    at, times = 0, []
    for gap in gaps:
        at += gap * 1000
        times.append(at)
    values = [number % 2 for number in range(len(times))]
    gone = data.draw(st.integers(1, len(times) - 1))

    def recording(left_out: int | None) -> Recording:
        track, clock = Track("b", "sw", "contact"), Track("b", "clock", "contact")
        for number, (at_us, value) in enumerate(zip(times, values, strict=True)):
            clock.times.append(at_us)
            clock.values.append(value)
            if number != left_out:
                track.times.append(at_us)
                track.values.append(value)
        return Recording("x", 0, at + 10**6, {"b.sw": track, "b.clock": clock}, [], [])

    comparison = compare(recording(None), recording(gone))
    assert [(d.sort, d.at_us) for d in comparison.channels["b.sw"].differences] == [("missing", times[gone])]
    assert not comparison.channels["b.clock"].count


def test_html_stands_alone_and_takes_no_markup_from_a_stranger(tmp_path: Path) -> None:
    story = evening(missing=2)
    for number, batch in enumerate(story.batches):
        bodies = [body.replace(b"ident=met ", b"ident=<b>met</b> ") for body in batch.bodies]
        story.batches[number] = batch._replace(bodies=bodies)
    page = as_html(compared(tmp_path, evening(), story))
    assert page.startswith("<!doctype html>")
    assert "<b>" not in page
    assert "src=" not in page
    assert "<script" not in page
    assert "http" not in page.replace("http-equiv", "")
    assert "lighting.sw1" in page


def test_the_command(tmp_path: Path) -> None:
    a, b = evening().write(tmp_path / "a.capture"), evening(missing=4).write(tmp_path / "b.capture")

    def run(*words: object) -> subprocess.CompletedProcess[str]:
        return subprocess.run([*BENCHCON, "compare", *map(str, words)], capture_output=True, text=True)

    assert run(a, a).returncode == 0
    page = tmp_path / "page.html"
    different = run(a, b, "--json", "--html", page)
    assert different.returncode == 1
    found = json.loads(different.stdout)
    assert found["same"] is False
    assert found["channels"]["lighting.sw1"]["first"][0]["sort"] == "missing"
    assert page.read_text().startswith("<!doctype html>")
    assert "a.capture" in page.read_text()
    assert str(tmp_path) not in page.read_text()  # a page to be sent on tells no login name
    again = run(a, b, "--html", page)
    assert again.returncode == 2
    assert "exists already" in again.stderr
    assert run(a, b, "--ignore", "lighting.sw1").returncode == 0
    for words, says in [
        ((a, tmp_path / "none"), "none"),
        ((a, b, "--tolerance", "5"), "--tolerance: '5' lacks its unit"),
    ]:
        refused = run(*words)
        assert refused.returncode == 2
        assert says in refused.stderr
        assert refused.stderr.count("\n") == 1


def test_json_and_text_agree(tmp_path: Path) -> None:
    comparison = compared(tmp_path, evening(), evening(missing=5, extra=2, level=9))
    assert as_json(comparison)["differences"] == comparison.count
    assert sum(one["differences"] for one in as_json(comparison)["channels"].values()) == comparison.count


@pytest.mark.parametrize("longer", ["A", "B"])
def test_the_end_that_only_one_recording_has_is_said_not_to_be_compared(tmp_path: Path, longer: str) -> None:
    short, long = evening(), evening()
    long.wait(8_000).alive(1).alive(2)
    comparison = compared(tmp_path, *((long, short) if longer == "A" else (short, long)))
    said = as_text(comparison).splitlines()[-1]
    shorter = "B" if longer == "A" else "A"
    assert re.fullmatch(rf"the last 8\.\d+ s of {longer} were not compared: {shorter} ends before", said)
    assert "ends before" not in as_text(compared(tmp_path, evening(), evening()))


def test_a_picture_draws_each_recording_to_its_end_and_cuts_no_moment(tmp_path: Path) -> None:
    long = evening()
    long.wait(20_000).alive(1).alive(2)
    drawn = as_html(compared(tmp_path, long, evening(missing=5))).partition("All of it")[2].partition("</svg>")[0]

    def right(which: str) -> float:
        lines = re.findall(rf'line-{which}" points="([^"]*)"', drawn)
        return max(float(x) for line in lines for x in re.findall(r"([0-9.]+),", line))

    assert right("b") < 0.7 * right("a")
    moments = re.findall(r'x="([0-9.]+)" y="14" text-anchor="(\w+)">([^<]*)<', drawn)
    assert moments
    # A letter of this size is 7 wide, and the picture 1000.
    assert all(float(x) + (7 * len(text) / 2 if anchor == "middle" else 0) <= 1000 for x, anchor, text in moments)
