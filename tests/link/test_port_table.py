"""The stages of an open port as a table: each is left by every sign it can end with, and the picture is the table."""

from __future__ import annotations

import ast
import inspect
import textwrap

from benchcon.link import port
from benchcon.link.port import TABLE, Port, PortSign, PortStage

ENDS = {
    PortStage.LISTENING: Port._listen,
    PortStage.ASKING: Port._ask,
    PortStage.LIVE: Port._live,
    PortStage.DUPLICATE: Port._duplicate,
    PortStage.MUTE: Port._wait_for_a_word,
    PortStage.TRYING: Port._try_rates,
    PortStage.FOREIGN: Port._wait_for_a_word,
}


def picture() -> list[str]:
    return [f"| {stage} | {sign} | {becomes} |" for (stage, sign), becomes in TABLE.items()]


def test_whatever_ends_a_stage_has_an_outcome_there_and_nothing_else_has() -> None:
    for stage, see_through in ENDS.items():
        tree = ast.parse(textwrap.dedent(inspect.getsource(see_through)))
        ends = {
            PortSign[node.attr]
            for node in ast.walk(tree)
            if isinstance(node, ast.Attribute)
            and isinstance(node.value, ast.Name)
            and node.value.id == PortSign.__name__
        }
        assert ends == {sign for at, sign in TABLE if at is stage}, stage


def test_every_stage_of_an_open_port_leads_on_to_asking_and_from_there_to_every_other() -> None:
    opened = {stage for stage, _ in TABLE}
    for stage in opened:
        reached = {stage}
        while more := {becomes for (at, _), becomes in TABLE.items() if at in reached} - reached:
            reached |= more
        assert reached >= opened - {PortStage.LISTENING}, stage
    assert set(PortStage) - opened == {PortStage.RELEASED, PortStage.OPENING, PortStage.WAITING}


def test_the_picture_in_the_module_s_text_is_the_table() -> None:
    told = [line for line in (port.__doc__ or "").splitlines() if line.startswith("| ")]
    assert told[-len(TABLE) :] == picture()


if __name__ == "__main__":
    print("\n".join(picture()))
