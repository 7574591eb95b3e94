"""A walk that is continued on other boards than it was begun on says so in one line, and goes on."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from console.looking import console, flowing
from hypothesis import given
from hypothesis import strategies as st
from walk.desks import Desks

from benchcon.console.walk.resumed import other_boards, resumed
from benchcon.console.walk.screen import WalkScreen
from benchcon.report.folder import Folder
from benchcon.report.walk import build
from benchcon.report.walk_page import page
from benchcon.walk.identities import BoardIdentity, differences, identities, read_identity
from benchcon.walk.journal import FinishedStep, line_of
from benchcon.walk.plan import plan
from benchcon.walk.report_header import Sitting, about

BEGAN = "2026-03-01T14:02:11+01:00"
PARTS = ("approach_lit", "approach", "mains_fail")
GO_ON = "Go on if that still holds; otherwise walk from the start in another folder."


def steps(desks: Desks, how: str = "done") -> list[FinishedStep]:
    """Two parts of lighting and one of power."""
    return [FinishedStep(group, [], how) for group in plan(desks.panel) if group.name in PARTS]


def begun(
    desks: Desks, path: Path, then: Callable[[BoardIdentity], BoardIdentity] = lambda board: board, how: str = "done"
) -> Folder:
    """A walk that was interrupted, on boards that were what `then` makes of those of today."""
    folder = Folder(path)
    folder.open(desks.panel, BEGAN, [], lambda: [then(each) for each in identities(desks.session, desks.panel)])
    for step in steps(desks, how):
        folder.write(line_of(step))
    folder.close()
    return folder


def said(desks: Desks, folder: Folder) -> str:
    """What is said when it is continued, after the sentence about how far it is."""
    otherwise = "To walk from the start, name another folder."
    text = resumed(folder, desks.panel, (), identities(desks.session, desks.panel), otherwise)
    _, sentence, rest = text.partition("3 passed. ")
    assert sentence, text
    return rest


def test_on_the_same_boards_nothing_is_said(desks: Desks, tmp_path: Path) -> None:
    folder = begun(desks, tmp_path / "walked")
    assert said(desks, folder) == "To walk from the start, name another folder."
    journal = (tmp_path / "walked" / "journal.jsonl").read_text()
    assert journal.count('{"boards":') == 1  # once, not with every group
    recorded = json.loads(journal.splitlines()[1])["boards"]
    assert [(each["name"], each["firmware"], each["hand"]) for each in recorded] == [
        (name, "benchcon simulated board 1", True) for name in ("lighting", "met", "power")
    ]


def test_real_boards_then_and_simulated_ones_now(desks: Desks, tmp_path: Path) -> None:
    folder = begun(desks, tmp_path, lambda board: board._replace(firmware="benchcon firmware 1", hand=False))
    assert said(desks, folder) == (
        "Boards lighting and power (real then, simulated now) are not as before: 3 parts judged earlier on them keep "
        f"their verdicts. {GO_ON}"
    )


@pytest.mark.parametrize(
    ("then", "differs"),
    [
        ({"firmware": "benchcon simulated board 0"}, ["firmware benchcon simulated board 0 then, ", " board 1 now"]),
        ({"ident": "spare"}, ["ident spare then, lighting now"]),
        ({"chip": ""}, ["chip not given then, "]),
        (
            {"items": ("contact sw_app", "lamp old")},
            [
                "no longer has old; ",
                "now also has sw_rwy, sw_twy, sw_stop and ",
                "more channels; describes differently sw_app",
            ],
        ),
        ({"ident": "\x1b[2Jx"}, ["ident \\x1B[2Jx then, lighting now"]),
    ],
)
def test_each_way_in_which_one_board_may_differ_is_in_words(
    desks: Desks, tmp_path: Path, then: dict[str, object], differs: list[str]
) -> None:
    folder = begun(desks, tmp_path, lambda board: board._replace(**then) if board.name == "lighting" else board)
    line = said(desks, folder)
    assert line.startswith("Board lighting (")
    assert all(words in line for words in differs), line
    assert line.endswith(f") is not as before: 2 parts judged earlier on it keep their verdicts. {GO_ON}")
    assert line.isprintable()


def test_a_label_that_was_worded_anew_makes_no_other_board(desks: Desks) -> None:
    (board, *_) = identities(desks.session, desks.panel)
    assert board.items
    assert not any("label=" in item for item in board.items)


def test_what_was_skipped_has_no_verdict_to_keep(desks: Desks, tmp_path: Path) -> None:
    folder = begun(desks, tmp_path, lambda board: board._replace(ident="spare"), how="skipped")
    text = resumed(folder, desks.panel, (), identities(desks.session, desks.panel))
    assert "3 skipped" in text
    assert "not as before" not in text


def test_an_old_journal_that_says_nothing_of_boards_is_continued_as_before(desks: Desks, tmp_path: Path) -> None:
    folder = Folder(tmp_path)
    folder.open(desks.panel, BEGAN, steps(desks))  # as earlier versions wrote it
    folder.close()
    assert "boards" not in (tmp_path / "journal.jsonl").read_text()
    assert said(desks, folder) == "To walk from the start, name another folder."
    folder.open(desks.panel, "now", folder.unfinished(desks.panel), lambda: identities(desks.session, desks.panel))
    (more,) = [group for group in plan(desks.panel) if group.name == "crosswind"]
    folder.write(line_of(FinishedStep(more, [], "done")))
    folder.close()
    assert set(folder.judged_on()) == {*PARTS, "crosswind"}
    assert (folder.judged_on()["approach"], set(folder.judged_on()["crosswind"])) == ({}, {"lighting", "met", "power"})


def test_what_a_finished_walk_judged_on_other_boards_is_told_when_it_is_kept_and_in_the_report(
    desks: Desks, tmp_path: Path
) -> None:
    """With --failed, say after other firmware was written; and on the page to keep with the panel."""
    folder = begun(desks, tmp_path, lambda board: board._replace(firmware="benchcon simulated board 0"))
    done = folder.unfinished(desks.panel)
    folder.open(desks.panel, BEGAN, done)
    folder.finish(build(desks.panel, done, {}), desks.panel, None)
    now = identities(desks.session, desks.panel)
    kept = [each for each in done if each.group.name != "approach"]
    assert "2 parts judged earlier on them keep their verdicts" in other_boards(folder, desks.panel, kept, now)
    folder.open(desks.panel, "2026-03-02T09:00:00+01:00", kept, lambda: identities(desks.session, desks.panel))
    (again,) = [each for each in done if each.group.name == "approach"]
    folder.write(line_of(again))
    head = about(desks.session, desks.panel, Sitting(), None, folder.judged_on())
    differs = ["firmware benchcon simulated board 0 then, benchcon simulated board 1 now"]
    assert head["other_boards"] == [
        {"name": "lighting", "differences": differs, "parts": ["approach_lit"]},
        {"name": "power", "differences": differs, "parts": ["mains_fail"]},
    ]
    report = build(desks.panel, [*kept, again], head)
    assert f"lighting was not as now ({differs[0]}) when these were judged: approach_lit" in page(report, desks.panel)
    folder.close()


async def test_the_console_says_it_before_the_walk_is_continued(
    desks: Desks, tmp_path: Path, monkeypatch: object
) -> None:
    assert isinstance(monkeypatch, pytest.MonkeyPatch)
    monkeypatch.chdir(tmp_path)
    begun(desks, tmp_path / "walked", lambda board: board._replace(firmware="benchcon firmware 1", hand=False))
    async with console(desks.session, (80, 24)) as eyes:
        await eyes.press("t", "enter")
        line = "Boards lighting and power (real then, simulated now) are not as before"
        await eyes.until(lambda: line in flowing(eyes) and GO_ON in flowing(eyes), "which boards are not as before")
        await eyes.press("enter")
        await eyes.until(lambda: isinstance(eyes.app.screen, WalkScreen), "the walk, which goes on all the same")
        short = "Boards lighting and power are not as before: 3 parts judged earlier on them keep their verdicts."
        await eyes.until(lambda: short in flowing(eyes).replace("▌ ", ""), "the same in short at its first step")


TEXTS = st.text(max_size=8)
IDENTITIES = st.builds(
    BoardIdentity, TEXTS, TEXTS, TEXTS, TEXTS, TEXTS, st.booleans(), st.lists(TEXTS, max_size=4).map(tuple)
)


@given(IDENTITIES, IDENTITIES)
def test_an_identity_comes_back_from_the_journal_and_differs_from_no_board_but_another(
    then: BoardIdentity, now: BoardIdentity
) -> None:
    assert read_identity(json.loads(json.dumps(then.as_json()))) == then
    assert differences(then, then) == []
    assert all(words.isprintable() for words in differences(then, now))


@pytest.mark.parametrize(
    "odd", [None, 1, [], {}, {"name": 1}, {"name": "a", "items": [1]}, {"name": "a", "chip": None}]
)
def test_what_is_no_identity_in_a_journal_is_passed_over(tmp_path: Path, odd: object) -> None:
    (tmp_path / "journal.jsonl").write_text(json.dumps({"boards": [odd]}) + '\n{"done":"x","how":"done"}\n')
    assert read_identity(odd) is None
    assert Folder(tmp_path).judged_on() == {"x": {}}
