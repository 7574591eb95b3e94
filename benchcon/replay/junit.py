"""Verdicts as JUnit XML: a suite for each target, a case for each channel."""

from __future__ import annotations

import re
from collections.abc import Sequence
from xml.etree import ElementTree as ET

from benchcon.replay.verdict import Verdict

_NOT_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def as_junit(name: str, verdicts: Sequence[Verdict]) -> str:
    """Return the report on the capture `name`."""
    root = ET.Element("testsuites")
    for verdict in verdicts:
        failures = sum(1 for text in verdict.channels.values() if text)
        suite = ET.SubElement(
            root,
            "testsuite",
            name=_clean(f"{name} against {verdict.target}"),
            tests=str(len(verdict.channels)),
            failures=str(failures),
            errors="0",
            skipped="0",
        )
        for channel, text in verdict.channels.items():
            case = ET.SubElement(suite, "testcase", classname=_clean(f"{name}.{verdict.target}"), name=_clean(channel))
            if text:
                failure = ET.SubElement(case, "failure", message=_clean(text.splitlines()[0]))
                failure.text = _clean(text)
        if verdict.remarks:
            ET.SubElement(suite, "system-out").text = _clean("\n".join(verdict.remarks))
    ET.indent(root)
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + ET.tostring(root, encoding="unicode") + "\n"


def _clean(text: str) -> str:
    return _NOT_XML.sub("?", text)
