"""What each board of a walk says of itself, and which boards are not the same as when parts of it were judged."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import Any, NamedTuple

from benchcon.panel.model import Panel
from benchcon.session import Session
from benchcon.text import counted, listed, printable
from benchcon.wire.items import SIMULATED_FIRMWARE

MOST_NAMED = 3
"""Most channels that a difference names."""


class BoardIdentity(NamedTuple):
    """What one board says of itself. All texts come from a stranger, or from a file: make them printable."""

    name: str
    """The board's name on the panel."""
    ident: str = ""
    model: str = ""
    chip: str = ""
    firmware: str = ""
    hand: bool = False
    """Whether a simulated hand works its controls."""
    items: tuple[str, ...] = ()
    """Its channels in the order of its description, such as ``encoder enc_qnh det=4``; labels are left out."""

    @property
    def simulated(self) -> bool:
        """Whether it says that it is a simulated board."""
        return self.firmware.startswith(SIMULATED_FIRMWARE)

    def as_json(self) -> dict[str, Any]:
        """Return it for the journal."""
        return self._asdict() | {"items": list(self.items)}


JudgedOn = Mapping[str, Mapping[str, BoardIdentity]]
"""Name of a finished group → name of a board → what that board said of itself when the group was done."""


def read_identity(row: object) -> BoardIdentity | None:
    """Return the identity of which `as_json` returned `row`; None if it is not such a row."""
    if not isinstance(row, Mapping) or not isinstance(row.get("name"), str):
        return None
    texts = {key: row.get(key, "") for key in ("name", "ident", "model", "chip", "firmware")}
    items = row.get("items", [])
    if not isinstance(items, list) or not all(isinstance(text, str) for text in (*texts.values(), *items)):
        return None
    return BoardIdentity(**texts, hand=row.get("hand") is True, items=tuple(items))


def identities(session: Session, panel: Panel) -> list[BoardIdentity]:
    """Return what the boards of `panel` say of themselves; without those that are not linked and described now."""
    out = []
    with session.lock:
        for board in panel.boards:
            found = session.state.board_named(board.own_ident)
            if found is None or found.link != "linked" or not found.known:
                continue
            items = tuple(
                " ".join((each.kind, each.id, *(f"{k}={v}" for k, v in sorted(each.detail.items()) if k != "label")))
                for each in found.channels.values()
                if each.kind
            )
            hand = bool({board.name, found.ident} & set(session.hands.keys()))
            out.append(BoardIdentity(board.name, found.ident, found.model, found.chip, found.firmware, hand, items))
    return out


def differences(then: BoardIdentity, now: BoardIdentity) -> list[str]:
    """Return in words how a board differs from what it was; empty if it is the same as far as it says."""
    if then.simulated != now.simulated:  # all the rest follows from that
        return ["simulated then, real now" if then.simulated else "real then, simulated now"]
    if then.ident != now.ident:
        return [_then_now("ident", then.ident, now.ident)]
    out = []
    if then.hand != now.hand and not now.simulated:
        hand = "worked by a simulated hand"
        out.append(f"{hand} then, not now" if then.hand else f"{hand} now, not then")
    for what in ("model", "chip", "firmware"):
        before, after = getattr(then, what), getattr(now, what)
        if before != after:
            out.append(_then_now(what, before, after))
    return out + _items_that_differ(then.items, now.items)


def _then_now(what: str, then: str, now: str) -> str:
    return f"{what} {printable(then) or 'not given'} then, {printable(now) or 'not given'} now"


def _items_that_differ(then: Sequence[str], now: Sequence[str]) -> list[str]:
    before, after = ({item.split(" ")[1]: item for item in items if " " in item} for items in (then, now))
    out = []
    for what, ids in (
        ("no longer has", [each for each in before if each not in after]),
        ("now also has", [each for each in after if each not in before]),
        ("describes differently", [each for each in after if before.get(each, after[each]) != after[each]]),
    ):
        if ids:
            more = [counted(len(ids) - MOST_NAMED, "more channel")] if len(ids) > MOST_NAMED else []
            out.append(f"{what} {listed([*map(printable, ids[:MOST_NAMED]), *more])}")
    return out


class ChangedBoard(NamedTuple):
    """A board that is not the same as when some of its parts were judged."""

    name: str
    differences: list[str]
    parts: list[str]
    """Names of these parts, in the panel's order."""


def changed_boards(
    panel: Panel, done: Collection[str], judged_on: JudgedOn, now: Sequence[BoardIdentity]
) -> list[ChangedBoard]:
    """Return the boards that differ `now` from when parts named in `done` were judged on them.

    What was judged while nothing was recorded of its board is taken to be the same.
    """
    out = []
    for board in now:
        how: dict[str, None] = {}
        parts = []
        for part in panel.parts:
            if part.name not in done or all(channel.board != board.name for channel in part.channels):
                continue
            then = judged_on.get(part.name, {}).get(board.name)
            if then is not None and (found := differences(then, board)):
                parts.append(part.name)
                how |= dict.fromkeys(found)
        if parts:
            out.append(ChangedBoard(board.name, list(how), parts))
    return out


def changed_text(changed: Sequence[ChangedBoard], how: bool = True) -> str:
    """Return in words which boards are not the same as before, and what of it; empty if all are.

    Without `how` it is short, and leaves out in what they differ and what to do.
    """
    if not changed:
        return ""
    names = [printable(each.name) for each in changed]
    hows = ["; ".join(each.differences) for each in changed]
    if not how:
        which = listed(names)
    elif len(set(hows)) == 1:
        which = f"{listed(names)} ({hows[0]})"
    else:
        which = listed([f"{name} ({text})" for name, text in zip(names, hows, strict=True)])
    one = len(changed) == 1
    parts = sum(len(each.parts) for each in changed)
    return (
        f"{'Board' if one else 'Boards'} {which} {'is' if one else 'are'} not as before: {counted(parts, 'part')} "
        f"judged earlier on {'it' if one else 'them'} {'keeps its verdict' if parts == 1 else 'keep their verdicts'}. "
        f"{'Go on if that still holds; otherwise walk from the start in another folder.' if how else ''}"
    ).rstrip()
