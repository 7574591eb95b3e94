"""The bring-up as a table: every sign has an outcome at every stage, no dead end, and the picture is the table."""

from __future__ import annotations

import itertools

from benchcon.wire import host
from benchcon.wire.host import TABLE, Do, HostSign, HostStage


def picture() -> list[str]:
    """The table as the module's text has it: what changes nothing is left out, stages alike are told together."""
    rows: dict[tuple[HostSign, str, Do], list[HostStage]] = {}
    for (stage, sign), (becomes, do) in TABLE.items():
        if (becomes, do) == (stage, Do.NOTHING):
            continue
        shared = any(TABLE[other, sign] == (becomes, do) for other in HostStage if other is not stage)
        same = becomes is stage and not shared
        rows.setdefault((sign, "the same" if same else becomes, do), []).append(stage)
    order = list(HostSign)
    lines = []
    for (sign, becomes, do), stages in sorted(rows.items(), key=lambda row: (order.index(row[0][0]), row[0][1])):
        at = "any" if len(stages) == len(HostStage) else ", ".join(stages)
        lines.append(f"| {at} | {sign} | {becomes} | {do.value} |")
    return lines


def test_every_sign_has_an_outcome_at_every_stage() -> None:
    assert set(TABLE) == set(itertools.product(HostStage, HostSign))


def test_from_every_stage_a_board_can_come_to_be_ready() -> None:
    for stage in HostStage:
        reached = {stage}
        while more := {TABLE[at, sign][0] for at in reached for sign in HostSign} - reached:
            reached |= more
        assert HostStage.READY in reached, stage


def test_every_stage_is_reached_and_everything_is_done_somewhere() -> None:
    assert {becomes for becomes, _ in TABLE.values()} == set(HostStage)
    assert {do for _, do in TABLE.values()} == set(Do)


def test_the_picture_in_the_module_s_text_is_the_table() -> None:
    told = [line for line in (host.__doc__ or "").splitlines() if line.startswith("| ")]
    assert told[1:] == picture()  # the first is the table's head


if __name__ == "__main__":
    print("\n".join(picture()))
