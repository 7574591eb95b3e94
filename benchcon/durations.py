"""Times and durations in words: stamps in seconds, a clock, how long something took, a date, a capture's name."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

_DAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
_MONTHS = (
    *("January", "February", "March", "April", "May", "June"),
    *("July", "August", "September", "October", "November", "December"),
)


def seconds_text(us: float) -> str:
    """Return a stamp or a time in seconds, to the millisecond: ``12.345 s``."""
    return f"{us / 1e6:.3f} s"


def clock_text(us: float, places: int = 0) -> str:
    """Return a stretch of time as ``h:mm:ss``, with up to six decimal `places`; what is left over is cut off."""
    seconds, rest = divmod(max(int(us), 0), 1_000_000)
    minutes, seconds = divmod(seconds, 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02}:{seconds:02}" + (f".{rest:06}"[: places + 1] if places else "")


def span_text(us: float) -> str:
    """Return a stretch of time as ``m:ss``, or ``h:mm:ss`` from an hour on."""
    text = clock_text(us).removeprefix("0:")
    return text.removeprefix("0") if text.count(":") == 1 else text


def lasted(seconds: float) -> str:
    """Return how long something took: ``42 s``, ``5 min 12 s``, ``1 h 3 min``."""
    whole = round(seconds)
    if whole < 60:
        return f"{whole} s"
    return f"{whole // 60} min {whole % 60} s" if whole < 3600 else f"{whole // 3600} h {whole % 3600 // 60} min"


def age_text(us: float, places: int = 1) -> str:
    """Return how long ago something was: ``0.4 s``, ``42 s``, ``12 min``, ``3 h``; `places`: decimals below 10 s."""
    seconds = max(us, 0) / 1e6
    if seconds < 100:
        return f"{seconds:.{places if seconds < 10 else 0}f} s"
    return f"{seconds / 60:.0f} min" if seconds < 6000 else f"{seconds / 3600:.0f} h"


def day_text(at: datetime) -> str:
    """Return day and time as people say them: ``3 February 2032, 14:05``. English whatever the system speaks."""
    return f"{at.day} {_MONTHS[at.month - 1]} {at.year}, {at:%H:%M}"


def when(began: str, zone: str = "") -> str:
    """Return ISO 8601 as people write a date and a time: ``Tuesday 3 February 2032, 14:05 CET (UTC+01:00)``."""
    try:
        at = datetime.fromisoformat(began)
    except ValueError:
        return began
    ahead = at.utcoffset()
    offset = "" if ahead is None else f"UTC{began[19:]}" if ahead else "UTC"
    zone = f"{zone} ({offset})" if zone and zone != offset else offset
    return f"{_DAYS[at.weekday()]} {day_text(at)} {zone}".strip()


def capture_path(named: Path, at: datetime) -> Path:
    """Return a free name beside `named` for a capture begun at `at`, UTC: ``bench.20320203T130501Z.capture``.

    Where there is one of this second already, a number follows: ``…Z-2.capture``.
    """
    suffix = named.suffix or ".capture"
    stem = f"{named.name.removesuffix(named.suffix)}.{at:%Y%m%dT%H%M%SZ}"
    path, number = named.with_name(f"{stem}{suffix}"), 2
    while path.exists() and number < 1000:
        path, number = named.with_name(f"{stem}-{number}{suffix}"), number + 1
    return path
