"""The written form of evidence and report, held to the code."""

from __future__ import annotations

import json
import re
from typing import get_args

from benchcon.diagnosis import evidence as ev
from benchcon.diagnosis.evidence import as_json, read
from benchcon.diagnosis.findings import KINDS, Finding
from benchcon.protocol_files import protocols_dir
from benchcon.report.walk import VERDICTS

TEXT = (protocols_dir() / "walk-report.md").read_text(encoding="utf-8")


def test_every_kind_and_its_class_stand_in_the_document() -> None:
    rows = re.findall(r"^\| `([a-z ]+)` \| [^|]* \| ([^|]*) \|", TEXT.split("## 3")[1].split("## 4")[0], re.MULTILINE)
    told = {kind: tuple(word.strip() for word in same.split(",")) if same.strip() != "–" else () for kind, same in rows}
    assert told == {kind: about.same[1:] for kind, about in KINDS.items()}


def test_the_examples_of_evidence_are_evidence() -> None:
    examples = re.findall(r'^    (\{"what".*\})$', TEXT, re.MULTILINE)
    assert len(examples) == 6
    for example in examples:
        evidence = read(json.loads(example))
        assert read(as_json(evidence)) == evidence


def test_every_word_of_evidence_and_report_is_told() -> None:
    for word in (*ev.ACTIONS, *ev.OUTCOMES, *ev.ANSWERS, *ev.LEVELS, *VERDICTS):
        assert f"`{word}`" in TEXT, word
    for each in get_args(ev.Evidence):
        for name in each.__dataclass_fields__:
            assert f"`{name}`" in TEXT, name
    for name in Finding("open", (), ()).as_json():
        assert f"`{name}`" in TEXT, name
