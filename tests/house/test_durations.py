"""Times in words, against Python's own arithmetic of times."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

from hypothesis import given
from hypothesis import strategies as st

from benchcon.durations import age_text, capture_path, clock_text, day_text, seconds_text, span_text


@given(st.integers(0, 10**12))
def test_a_clock_reads_as_the_time_it_was_made_from(us: int) -> None:
    # Source: `str` of a timedelta, without its days.
    whole = str(timedelta(microseconds=us % 86_400_000_000)).partition(".")[0]
    hours = us // 3_600_000_000
    assert clock_text(us) == f"{hours}:{whole.partition(':')[2]}"
    assert clock_text(us, 3) == f"{clock_text(us)}.{us // 1000 % 1000:03}"
    assert clock_text(us, 1) == clock_text(us, 3)[:-2]
    assert span_text(us) in clock_text(us)


def test_short_and_long_spans() -> None:
    assert [span_text(s * 1_000_000) for s in (-1, 0, 59, 60, 600, 3599, 3600)] == [
        *("0:00", "0:00", "0:59", "1:00", "10:00", "59:59", "1:00:00")
    ]
    assert seconds_text(12_345_400) == "12.345 s"


def test_a_day_and_a_captures_name(tmp_path: Path) -> None:
    at = datetime(2032, 2, 3, 14, 5, 1, tzinfo=UTC)
    assert day_text(at) == "3 February 2032, 14:05"
    first = capture_path(tmp_path / "bench.capture", at)
    assert first.name == "bench.20320203T140501Z.capture"
    first.touch()
    assert capture_path(tmp_path / "bench", at).name == "bench.20320203T140501Z-2.capture"


def test_an_age_is_in_the_unit_that_a_person_would_choose() -> None:
    seconds = (-0.2, 0.44, 9.94, 42, 99, 100, 5999, 6000, 36_000)
    assert [age_text(s * 1e6) for s in seconds] == [
        *("0.0 s", "0.4 s", "9.9 s", "42 s", "99 s", "2 min", "100 min", "2 h", "10 h"),
    ]
    assert [age_text(s * 1e6, 0) for s in (0.4, 4.0, 5.6)] == ["0 s", "4 s", "6 s"]
