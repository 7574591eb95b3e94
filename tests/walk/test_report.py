"""The report: JUnit read back by an independent library, a page that is whole and harmless, and what has changed."""

from __future__ import annotations

import json
import re
import tempfile
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from few import few_of
from hypothesis import given
from hypothesis import strategies as st
from junitparser import Failure, JUnitXml, Skipped
from walk.small import TEXT, lamps, presses, small

from benchcon.diagnosis.evidence import read
from benchcon.diagnosis.figures import figures, words
from benchcon.errors import Trouble
from benchcon.panel.file import loads
from benchcon.panel.model import Panel
from benchcon.report.folder import Folder, read_report
from benchcon.report.walk import FORM, build, changes, done_of, foremost, not_compared
from benchcon.report.walk_junit import junit
from benchcon.report.walk_page import page
from benchcon.walk.journal import FinishedStep
from benchcon.walk.plan import Group

EVIL = "<script>alert(1)</script>\x1b[2J&\"'"
ABOUT = {"began": "2031-02-03T04:05:06+00:00", "boards": [{"name": "a", "ident": "a", "firmware": "one 1"}]}


def done(name: str, kind: str, evidence: list[Any], how: str = "done", note: str = "") -> FinishedStep:
    return FinishedStep(Group(name, kind, (name,)), [read(e) for e in evidence], how, note, 1_500_000)


def walked(panel: Panel | None = None, note: str = "") -> dict[str, Any]:
    groups = [
        done("b1", "control", presses("b1", {"b1": 0}, {"b1": 0}), note=note),
        done("b2", "control", presses("b2", {"b2": 1}, {"b2": 0})),
        done("b3", "control", [], "skipped"),
        done("l1", "lamp", [lamps("l1", "l1")]),
        done("l2", "lamp", [], "not wired"),
    ]
    return build(panel or small(), groups, ABOUT)


def test_the_report_says_of_each_part_how_it_was_found() -> None:
    report = walked()
    assert report["result"] == "faulty"
    verdicts = {part["name"]: part["verdict"] for part in report["parts"]}
    assert verdicts["b1"] == "faulty"
    assert verdicts["b2"] == verdicts["l1"] == "passed"
    assert (verdicts["b3"], verdicts["l2"], verdicts["l3"]) == ("skipped", "not wired", "not asked")
    assert json.loads(json.dumps(report)) == report
    assert done_of(report) == done_of(json.loads(json.dumps(report)))


def test_junit_is_read_back_by_junitparser() -> None:
    xml = JUnitXml.fromstring(junit(walked(note="under the desk")))
    cases = {case.name: case for suite in xml for case in suite}
    assert [type(result) for result in cases["b1"].result] == [Failure]
    assert "J1 pin 4" in cases["b1"].result[0].message
    assert cases["b2"].result == []
    assert [type(result) for result in cases["b3"].result] == [Skipped]
    assert cases["b1"].system_out == "under the desk"
    assert cases["b1"].time == 1.5
    xml.update_statistics()
    assert (xml.tests, xml.failures, xml.skipped) == (len(small().parts) + 1, 1, len(small().parts) - 3)
    suites = {suite.name: suite for suite in xml}
    assert suites["button"].failures == 1


def test_junit_holds_any_text() -> None:
    panel = loads(TEXT.replace('title = "Small"', f"title = {json.dumps('a & <b>')}"), "x")
    report = walked(panel, note=EVIL + "\x00\ud800")
    xml = JUnitXml.fromstring(junit(report))
    case = next(case for suite in xml for case in suite if case.name == "b1")
    assert "<script>" in case.system_out
    assert "\x1b" not in case.system_out


class Whole(HTMLParser):
    """Checks that every element is closed in order, and gathers what is there."""

    VOID = frozenset({"meta", "link", "br", "rect", "circle", "line"})

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.seen: list[tuple[str, dict[str, str | None]]] = []
        self.text: list[str] = []

    def handle_starttag(self, tag: str, attributes: list[tuple[str, str | None]]) -> None:
        self.seen.append((tag, dict(attributes)))
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attributes: list[tuple[str, str | None]]) -> None:
        self.seen.append((tag, dict(attributes)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.text.append(data)


def test_the_page_needs_nothing_from_outside_and_shows_every_part_marked() -> None:
    text = page(walked(), small(), ["b1: passed before, faulty now"])
    parser = Whole()
    parser.feed(text)
    assert parser.open == []
    assert not re.search(r"(?:src|href)\s*=|url\(|@import|https?:", text)
    shown = "".join(parser.text)
    for part in small().parts:
        assert (part.label) in shown
    marks = [a for tag, a in parser.seen if tag == "g"]
    assert len(marks) == len(small().parts)
    assert {a["class"] for a in marks} == {
        "part passed",
        "part faulty",
        "part skipped",
        "part not-wired",
        "part not-asked",
    }
    assert "b1: passed before, faulty now" in shown
    assert "J1 pin 4" in shown
    assert "To decide" in shown


def test_nothing_that_a_file_or_a_person_says_gets_out_of_its_place_on_the_page() -> None:
    evil = json.dumps("<img src=x onerror=alert(1)>")
    panel = loads(
        TEXT.replace('title = "Small"', f"title = {evil}").replace(
            '[controls.b1]\nkind = "button"', f'[controls.b1]\nlabel = {evil}\nkind = "button"'
        ),
        "x",
    )
    text = page({**walked(panel, note=EVIL), "began": EVIL}, panel, [EVIL])
    parser = Whole()
    parser.feed(text)
    assert {tag for tag, _ in parser.seen}.isdisjoint({"script", "img", "iframe"})
    assert parser.open == []


def test_what_has_changed_since_another_walk() -> None:
    old = walked()
    groups = [
        done("b1", "control", presses("b1", {"b1": 1}, {"b1": 0})),
        done("b2", "control", presses("b2", {"b2": 1}, {"b2": 1})),
    ]
    new = build(small(), groups, {**ABOUT, "boards": [{"name": "a", "firmware": "two 2"}]})
    lines = changes(old, new)
    assert "another boards: a one 1 before, a two 2 now" in lines
    assert "b1: faulty before, passed now" in lines
    assert "b2: passed before, faulty now" in lines
    assert any(line.startswith("mended: a.b1") for line in lines)
    assert any(line.startswith("new: a.b2") for line in lines)
    assert changes(old, walked()) == []


def test_figures_that_moved_by_more_than_a_tenth_are_told() -> None:
    def end(to: int, counts: int) -> dict[str, Any]:
        return {"what": "hand", "do": "end", "part": "vol", "to": to, "values": {"a.vol": counts}}

    def pot(high: int) -> dict[str, Any]:
        return build(small(), [done("vol", "control", [end(0, 0), end(1, high)])], ABOUT)

    assert changes(pot(1020), pot(1000)) == []
    assert "vol: max counts 1020 before, 880 now" in changes(pot(1020), pot(880))


def test_the_folder_keeps_a_journal_and_a_torn_line_at_its_end_is_no_matter(tmp_path: Path) -> None:
    panel, folder = small(), Folder(tmp_path / "walked")
    folder.open(panel, "now", [])
    folder.write({"done": "b1", "kind": "control", "parts": ["b1"], "how": "done", "evidence": []})
    folder.close()
    with open(tmp_path / "walked" / "journal.jsonl", "ab") as file:
        file.write(b'{"done":"b2","kind":"con')
    again = Folder(tmp_path / "walked")
    assert [d.group.name for d in again.unfinished(panel)] == ["b1"]
    again.open(panel, "now", [])
    again.write({"done": "b2", "kind": "control", "parts": ["b2"], "how": "done", "evidence": []})
    again.finish(walked(), panel, None)
    assert Folder(tmp_path / "walked").unfinished(panel) == []
    lines = [json.loads(line) for line in (tmp_path / "walked" / "journal.jsonl").read_text().splitlines()]
    assert [line.get("done") for line in lines] == [None, "b1", "b2", None]
    assert sorted(p.name for p in (tmp_path / "walked").iterdir()) == [
        "journal.jsonl",
        "junit.xml",
        "walk.html",
        "walk.json",
    ]
    assert read_report(tmp_path / "walked")["walk"] == FORM


@pytest.mark.parametrize("raw", [b"no journal\n", b"[1]\n", b'{"journal":9}\n', b"\xff\xfe\n", b'{"done":"x"}\n'])
def test_what_is_no_journal_is_said_in_one_line_and_left_alone(tmp_path: Path, raw: bytes) -> None:
    (tmp_path / "journal.jsonl").write_bytes(raw)
    with pytest.raises(Trouble, match=r"journal\.jsonl:1: is not a journal of a walk"):
        Folder(tmp_path).unfinished(small())
    assert (tmp_path / "journal.jsonl").read_bytes() == raw


def test_a_journal_of_another_panel_file_is_not_gone_on_from(tmp_path: Path) -> None:
    folder = Folder(tmp_path)
    folder.open(small(), "now", [])
    folder.write({"done": "b1", "kind": "control", "parts": ["b1"], "how": "done", "evidence": []})
    folder.close()
    with pytest.raises(Trouble, match="another panel file"):
        Folder(tmp_path).unfinished(loads(TEXT + "\n# changed\n", "x"))


@pytest.mark.parametrize("raw", ["", "[]", "{", '{"walk": 99}', '{"walk": "1"}', "[" * 100_000])
def test_what_is_no_report_is_said_in_one_line(tmp_path: Path, raw: str) -> None:
    (tmp_path / "walk.json").write_text(raw)
    with pytest.raises(Trouble, match=r"walk\.json: is not a report of a walk"):
        read_report(tmp_path)


def places(value: Any, so_far: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    yield so_far
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, below in inner:
        yield from places(below, (*so_far, key))


@pytest.mark.parametrize("odd", few_of([None, True, -1, 10**400, 1e308, "x", [], [[]], [{}], {}, {"": {}}]))
def test_a_report_with_anything_anywhere_is_compared_or_refused_in_one_line(tmp_path: Path, odd: Any) -> None:
    now = walked()
    report: Any = {"": json.loads(json.dumps(now))}
    room = 2 * len(json.dumps(now)) + 1000
    # One file, always as long, with blanks behind the report: files that are made and cut again take most of the time.
    with (tmp_path / "walk.json").open("w") as file:
        for place in places(now):
            at = report
            for key in ("", *place)[:-1]:
                at = at[key]
            last = ("", *place)[-1]
            was, at[last] = at[last], odd
            file.seek(0)
            file.write(json.dumps(report[""]).ljust(room))
            file.flush()
            try:
                changes(read_report(tmp_path), now)
            except Trouble as trouble:
                assert "\n" not in str(trouble)  # noqa: PT017
            at[last] = was
    assert report[""] == json.loads(json.dumps(now))


def test_links_that_stand_in_the_way_of_a_report_are_not_followed(tmp_path: Path) -> None:
    precious = tmp_path / "precious"
    precious.write_text("precious")
    folder = Folder(tmp_path / "walked")
    folder.open(small(), "now", [])
    for name in ("walk.json", "walk.xml", "walk.html"):
        (tmp_path / "walked" / f".{name}.part").symlink_to(precious)
        (tmp_path / "walked" / name).symlink_to(precious)
    folder.finish(walked(), small(), None)
    (tmp_path / "other").mkdir()
    (tmp_path / "other" / "journal.jsonl").symlink_to(precious)
    with pytest.raises(Trouble, match=r"cannot be written: .*symbolic links"):
        Folder(tmp_path / "other").open(small(), "now", [])
    assert precious.read_text() == "precious"
    assert read_report(tmp_path / "walked")["walk"]


def test_a_full_disk_is_one_line_and_the_journal_stays_whole(tmp_path: Path) -> None:
    folder = Folder(tmp_path)
    folder.open(small(), "now", [])
    whole = (tmp_path / "journal.jsonl").read_bytes()
    (tmp_path / "journal.jsonl").unlink()
    folder.close()
    folder._journal = open("/dev/full", "r+b", buffering=0)  # noqa: SIM115
    with pytest.raises(Trouble, match="cannot be written: No space left"):
        folder.write({"done": "b1"})
    folder.close()
    assert whole.endswith(b"\n")


def _spots(value: object, path: tuple[object, ...] = ()) -> list[tuple[object, ...]]:
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    return [path, *(spot for key, each in inner for spot in _spots(each, (*path, key)))]


@pytest.mark.slow
@given(st.data())
def test_a_damaged_walk_json_is_compared_or_refused_in_one_line(data: st.DataObject) -> None:
    """One value of a whole report is replaced by another of any kind; `walk --compare` reads it so."""
    whole = walked()
    damaged = json.loads(json.dumps(whole))
    path = data.draw(st.sampled_from([spot for spot in _spots(damaged) if spot]))
    at: Any = damaged
    for key in path[:-1]:
        at = at[key]
    at[path[-1]] = data.draw(st.sampled_from([None, 5, "x", [], {}, [5], [["x"]], {"x": 5}, {"name": ["x"]}, True]))
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "walk.json").write_text(json.dumps(damaged))
        said = ""
        try:
            old = read_report(folder)
            assert isinstance(changes(old, whole), list)
            not_compared(old, whole)
        except Trouble as trouble:
            said = str(trouble)
        assert not said or ("walk.json" in said and "\n" not in said)


def test_at_most_seven_findings_are_shown_what_may_be_behind_the_others_first() -> None:
    """Common practice, no source: with more than a few, mend what you can see and look again."""
    findings = [{"kind": "open", "either": None}] * 8 + [{"kind": "board reset"}, {"kind": "common open"}]
    shown, more = foremost(findings)
    assert shown == [8, 9, 0, 1, 2, 3, 4]
    assert more == "3 more findings: start here, mend these, and walk again"
    assert foremost(findings[:7]) == ([0, 1, 2, 3, 4, 5, 6], "")


def test_a_page_with_many_findings_begins_with_seven_and_holds_them_all() -> None:
    report = walked()
    (first, *_) = report["findings"]
    report["findings"] = [first] * 9
    whole = page(report, small())
    head, _, rest = whole.partition("Further findings</h2>")
    assert (head.count('class="finding'), rest.count('class="finding')) == (7, 2)
    assert "2 more findings: start here, mend these, and walk again" in whole


def test_a_contact_that_is_passed_on_the_way_does_not_bounce() -> None:
    """A rotary switch goes from its first position to its third: the second contact makes and breaks, as it should."""
    panel = loads("""[boards.a]
[controls.valve]
kind = "switch"
positions = ["shut", "bilge", "sea"]
channels = ["v1", "v2", "v3"]
""")
    step = {"what": "hand", "do": "put", "parts": ["valve"], "to": 2, "values": {"a.v1": 0, "a.v2": 0, "a.v3": 1}}
    passed = [[0, "a.v1", 1], [8_000, "a.v2", 0], [30_000, "a.v2", 1], [38_000, "a.v3", 0]]
    (valve,) = panel.controls
    assert words(figures(valve, [read({**step, "edges": passed})])) == "no bounce"
    bounced = [*passed, [38_400, "a.v3", 1], [39_000, "a.v3", 0]]
    assert words(figures(valve, [read({**step, "edges": bounced})])) == "bounces for 1 ms, 3 edges"
