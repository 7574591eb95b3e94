"""JUnit XML, the form in which test results go to other programs. One writer for every command that has results."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import NamedTuple
from xml.etree import ElementTree

_FORBIDDEN = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
"""What XML 1.0 (section 2.2, Char) does not allow in a document, however it is escaped."""


class Failure(NamedTuple):
    """Why a case failed: `message` in one line, `text` the whole of it."""

    message: str
    text: str = ""
    kind: str = ""


class Case(NamedTuple):
    """One result. Passed, unless there is a `failure` or it was `skipped` (which says why)."""

    classname: str
    name: str
    seconds: float | None = None
    failure: Failure | None = None
    skipped: str = ""
    note: str = ""
    properties: Mapping[str, str] = MappingProxyType({})


class Suite(NamedTuple):
    """Results that belong together. `began`: ISO 8601, to the second."""

    name: str
    cases: Sequence[Case]
    note: str = ""
    began: str = ""
    properties: Mapping[str, str] = MappingProxyType({})


def document(suites: Sequence[Suite], name: str = "") -> bytes:
    """Return the document, UTF-8. Characters that XML forbids are replaced by U+FFFD; counts are worked out here."""
    root = ElementTree.Element("testsuites", {"name": _clean(name)} if name else {})
    for suite in suites:
        _suite(root, suite)
    ElementTree.indent(root)
    return bytes(ElementTree.tostring(root, encoding="utf-8", xml_declaration=True)) + b"\n"


def _suite(root: ElementTree.Element, suite: Suite) -> None:
    times = [case.seconds for case in suite.cases if case.seconds is not None]
    given = {
        "name": suite.name,
        "tests": str(len(suite.cases)),
        "failures": str(sum(case.failure is not None for case in suite.cases)),
        "errors": "0",
        "skipped": str(sum(bool(case.skipped) for case in suite.cases)),
    }
    if times:
        given["time"] = f"{sum(times):.3f}"
    if suite.began:
        given["timestamp"] = suite.began
    under = ElementTree.SubElement(root, "testsuite", {key: _clean(text) for key, text in given.items()})
    _properties(under, suite.properties)
    for case in suite.cases:
        one = ElementTree.SubElement(under, "testcase", classname=_clean(case.classname), name=_clean(case.name))
        if case.seconds is not None:
            one.set("time", f"{case.seconds:.3f}")
        _properties(one, case.properties)
        if case.failure is not None:
            failure = ElementTree.SubElement(one, "failure", message=_clean(case.failure.message))
            if case.failure.kind:
                failure.set("type", _clean(case.failure.kind))
            failure.text = _clean(case.failure.text) or None
        elif case.skipped:
            ElementTree.SubElement(one, "skipped", message=_clean(case.skipped))
        if case.note:
            ElementTree.SubElement(one, "system-out").text = _clean(case.note)
    if suite.note:
        ElementTree.SubElement(under, "system-out").text = _clean(suite.note)


def _properties(under: ElementTree.Element, properties: Mapping[str, str]) -> None:
    if properties:
        holder = ElementTree.SubElement(under, "properties")
        for name, value in properties.items():
            ElementTree.SubElement(holder, "property", name=_clean(name), value=_clean(value))


def _clean(text: str) -> str:
    return _FORBIDDEN.sub("\ufffd", text)
