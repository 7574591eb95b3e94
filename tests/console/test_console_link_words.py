"""What only the link knows is on the screen in words: its records in the list of events, the stages of its ports.

A port that could not be opened was listed as `refused port=… why=…`, and one on which nobody answers as `mute`.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from console.looking import console
from console.on_boards import OnBoards

from benchcon.link import PortInfo
from benchcon.link.port import PortStage
from benchcon.link.records import link_record
from benchcon.panel.model import Panel
from benchcon.view.board_status import status_of_port
from benchcon.view.event_feed import Feed
from benchcon.view.event_text import Names, tell
from benchcon.view.showing import STAGE_WORDS
from benchcon.wire.observer import Observer

DOCUMENT = Path(__file__).parents[2] / "protocols/capture-file.md"


def documented() -> list[str]:
    """The link records of section 9, as they are written there."""
    section = DOCUMENT.read_text("utf-8").partition("## 9 ")[2].partition("## 10 ")[0]
    firsts = re.findall(r"^\| (`.*?) \|", section, re.MULTILINE)
    return [record for cell in firsts for record in re.findall(r"`([^`]*)`", cell)]


RECORDS = [record for record in documented() if not record.startswith(("opened …", "values"))]


@pytest.mark.parametrize("record", RECORDS)
def test_a_link_record_is_told_in_words(record: str) -> None:
    word, *pairs = record.split()
    detail = dict(pair.split("=") for pair in pairs)
    (batch,) = [link_record(1_000, 1, word, **detail)]
    (event,) = Observer().observe(batch)
    text = tell(event, Names(Feed())).text
    assert "=" not in text
    assert text.split() != record.split()
    for said in ("TEXT", "ID", "WHY"):
        if said in detail.values() and word != "held" and detail.get("why") != "duplicate":
            assert said in text


# The codes of the link, which mean nothing to a user.
_CODES = {PortStage.MUTE, PortStage.WAITING, PortStage.DUPLICATE}


@pytest.mark.parametrize("size", [(80, 24), (140, 45)])
async def test_without_a_panel_file_each_port_says_in_words_what_it_is_at(size: tuple[int, int]) -> None:
    session = OnBoards(Panel())
    why = "another board with the ident 'desk' is linked: identify them, and give one a new ident"
    said = {PortStage.DUPLICATE: why, PortStage.MUTE: "no answer: is this the right port?"}
    for number, stage in enumerate((PortStage.MUTE, PortStage.WAITING, PortStage.DUPLICATE, PortStage.TRYING)):
        session.bench.more_ports.append(PortInfo(f"/dev/ttyUSB{number}", stage, said.get(stage, ""), 0, "", 9600))
    async with console(session, size) as eyes:
        await eyes.see("USB0   ? no answer", "USB1   ! not open", "USB2   ! ident taken", "USB3   ◌ trying other rates")
        words = " ".join(" ".join(eyes.rows()).split())
        assert why in words, "whole, however narrow the screen"
        assert not _CODES & set(words.split())
        await eyes.press("f5")
        await eyes.see("─ ? no answer", "─ ! not open", "─ ! ident taken", "─ ◌ trying other rates")
        assert not _CODES & set(" ".join(eyes.rows()).split())


@pytest.mark.parametrize("stage", [*PortStage, "silent", "lost"])
def test_every_stage_of_a_port_has_words_and_a_mark(stage: str) -> None:
    look = status_of_port(PortInfo("/dev/ttyUSB0", stage, "", 0, "", 0))
    assert look.word == STAGE_WORDS[stage]
    assert look.shape != "?" or stage in ("mute", "silent")


@pytest.mark.parametrize(("why", "words"), [("deadman", "no word from the host"), ("local", "switched at the panel")])
async def test_links_and_events_give_the_same_reason_why_a_board_went_dark(why: str, words: str) -> None:
    session = OnBoards()
    async with console(session, (140, 45)) as eyes:
        session.goes_dark("met", why)
        await eyes.press("f5")
        await eyes.see("held off (", words)
        await eyes.press("f4")
        await eyes.see("went dark by itself: ", words)
