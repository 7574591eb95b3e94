"""Values from other programs: JSON lines, and MQTT topics with payloads. Pure; accepts any bytes.

A line is one JSON object, ``{"wind_speed": 20, "pressure": "29.92 inHg", "level": null}``: a number is in the value's
own unit, text includes a unit, null is no data. An MQTT message is one value: the topic's last level names it, and the
payload is a number, text with a unit, or null. A number outside the value's range becomes no data, and is reported.
"""

from __future__ import annotations

import json
import math
from typing import Any

from benchcon.rehearse.behaviour import Behaviour, Value
from benchcon.text import printable
from benchcon.units import linear, number_in, quantity

LONGEST = 1 << 16
"""Most bytes of a message; longer ones are refused."""
MOST_SHOWN = 200
"""Most characters of a complaint."""

Values = dict[str, float | None]


class BadMessage(ValueError):
    """A message, or a value in it, that cannot be used; the text is one printable line that says why."""


class Outside(BadMessage):
    """A value that is outside its range, and becomes no data."""


def of_line(line: bytes, behaviour: Behaviour) -> tuple[Values, list[str]]:
    """Return the values in one JSON line, and what is wrong with the others, one printable line each."""
    try:
        found = json.loads(_text(line), parse_constant=_no_constant)
    except (ValueError, RecursionError) as error:
        return {}, [_shown(f"not valid JSON: {error}")]
    if not isinstance(found, dict):
        return {}, [_shown(f"not a JSON object, such as {{{_example(behaviour)}}}: {line[:40]!r}")]
    values: Values = {}
    wrong = []
    for name, given in found.items():
        try:
            values[name] = number_of(name, given, behaviour)
        except BadMessage as why:
            wrong.append(str(why))
            if isinstance(why, Outside):
                values[name] = None
    return values, wrong


def of_topic(topic: str, payload: bytes, behaviour: Behaviour) -> tuple[Values, list[str]]:
    """Return the value in one MQTT message, and what is wrong with it, as printable lines."""
    name = topic.rpartition("/")[2]
    try:
        text = _text(payload).strip()
        try:
            given = json.loads(text, parse_constant=_no_constant)
        except (ValueError, RecursionError):
            given = text
        return {name: number_of(name, given, behaviour)}, []
    except ValueError as why:
        return {name: None} if isinstance(why, Outside) else {}, [_shown(str(why))]


def number_of(name: str, given: Any, behaviour: Behaviour) -> float | None:
    """Return what is given for a value as a number in its unit; None for no data.

    Raises `BadMessage`, also if it is outside the value's range (`Outside`).
    """
    value = behaviour.value(name) if len(name) <= 64 else None
    if value is None:
        raise BadMessage(_shown(f"unknown value '{name[:64]}'"))
    if given is None:
        return None
    number = _number(value, given)
    if not math.isfinite(number) or not value.low <= number <= value.high:
        inside = f"{value.written(value.low)} to {value.written(value.high)}"
        raise Outside(_shown(f"{name}: {number:.10g} is outside its range, {inside}"))
    return number


def _number(value: Value, given: Any) -> float:
    if isinstance(given, int | float) and not isinstance(given, bool):
        try:
            return float(given)
        except OverflowError:
            return math.inf
    if not isinstance(given, str):
        raise BadMessage(
            _shown(f"{value.name}: a number, text with a unit, or null is allowed, not {json.dumps(given)[:40]}")
        )
    if not value.unit:
        try:
            return number_in(given)
        except ValueError:
            raise BadMessage(_shown(f"{value.name}: '{given[:40]}' is not a number")) from None
    try:
        return _converted(given, value.unit)
    except ValueError as why:
        raise BadMessage(_shown(f"{value.name}: '{given[:40]}' {why}")) from None


def _converted(text: str, unit: str) -> float:
    number, space, written = text.strip().partition(" ")
    if space and len(written) <= 24:
        try:  # the fast path, for ten thousand a second
            factor, offset = linear(written.strip(), unit)
            return number_in(number) * factor + offset
        except ValueError:
            pass
    return quantity(text, unit)


def _text(raw: bytes) -> str:
    if len(raw) > LONGEST:
        raise BadMessage(f"{len(raw)} bytes; at most {LONGEST} are allowed")
    try:
        return raw.decode()
    except UnicodeDecodeError:
        raise BadMessage(_shown(f"not UTF-8: {raw[:40]!r}")) from None


def _no_constant(word: str) -> float:
    raise ValueError(f"{word} is not a number")


def _shown(text: str) -> str:
    return printable(text)[:MOST_SHOWN]


def _example(behaviour: Behaviour) -> str:
    name = behaviour.values[0].name if behaviour.values else "wind_speed"
    return f'"{name}": 1'
