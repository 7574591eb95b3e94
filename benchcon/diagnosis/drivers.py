"""Chains of display drivers: what all displays of a chain show if one thing about the chain is wrong.

A MAX7219 passes on at DOUT what came into DIN sixteen clocks ago (data sheet 19-4452, pin description; from memory), so
each chip takes what was meant for its place in the chain. If a chip is left out, the next one is in its place; if one
passes nothing on, all behind it stay dark. What was commanded and seen on all displays is compared with each such
hypothesis, digit by digit.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from typing import Any, NamedTuple

from benchcon.diagnosis.chains import other_orders
from benchcon.diagnosis.evidence import DisplayLook
from benchcon.diagnosis.findings import BareFinding, Choices
from benchcon.diagnosis.layout import PanelIndex
from benchcon.panel.pins import CHAINS

DIGITS = 8
"""Number of digits that a MAX7219 drives."""
_KIND = "7219"
_ENTERED_WRONGLY = 0.1
"""Share of the looks that may not fit, such as a picture that was entered wrongly."""

_Sources = tuple[int | None, ...]
"""For each digit of the chain, from DIG 0 of the nearest chip on, the digit whose character it shows; None: dark."""


class _Hypothesis(NamedTuple):
    kind: str
    detail: Mapping[str, Any]
    sources: _Sources


def find(layout: PanelIndex, looks: Sequence[DisplayLook], but: Collection[str] = ()) -> tuple[list[Choices], set[str]]:
    """Return what is wrong with whole chains of drivers, and the displays (channels) that this explains."""
    chains: dict[str, dict[str, int]] = {}
    for name, display in layout.displays.items():
        pin = layout.chained.get(display.channel.key)
        if pin is not None and pin.kind == _KIND and display.wired and display.channel.key not in but:
            chains.setdefault(display.channel.board, {})[name] = pin.bit
    out: list[Choices] = []
    explained: set[str] = set()
    for board, at in chains.items():
        mine = [look for look in looks if look.part in at and look.answer in ("same", "otherwise") and any(look.set)]
        best = _best(layout, at, _chips_of(layout, board, at), mine)
        if best:
            touched = [_touched(layout, at, each) for each in best]
            out.append(
                [
                    [BareFinding(each.kind, keys, {"chain": CHAINS[_KIND], **each.detail})]
                    for each, keys in zip(best, touched, strict=True)
                ]
            )
            if len(best) == 1 and best[0].kind == "common open" and len(touched[0]) == 2:
                # Two may have failed independently; three hardly.
                out[-1].append([BareFinding("dead", (key,)) for key in touched[0]])
            explained |= {key for keys in touched for key in keys}
    return out, explained


def _chips_of(layout: PanelIndex, board: str, at: Mapping[str, int]) -> int:
    """Return the number of chips on the chain of a board whose displays begin `at` these digits."""
    known = layout.panel.board(board)
    last = max(bit + layout.displays[name].digits for name, bit in at.items())
    chains = [chain.chips for chain in known.chains if chain.kind == _KIND] if known else []
    return max([-(-last // DIGITS), *chains])


def or_its_driver(layout: PanelIndex, shown: list[Choices]) -> list[Choices]:
    """Add alternatives to each display in `shown` that is dark, or dark in all digits that one driver drives.

    They are: its driver, if it drives nothing else; that driver left out, if none is behind it; common anodes, if the
    display has one digit.
    """
    return [[*choices, *_instead(layout, choices)] if len(choices) == 1 else choices for choices in shown]


def _instead(layout: PanelIndex, choices: Choices) -> Choices:
    raw = next(iter(choices[0]), None)
    if raw is None or any((each.kind, each.channels) != (raw.kind, raw.channels) for each in choices[0]):
        return []
    pin = layout.chained.get(raw.channels[0]) if raw.kind in ("dead", "digit dead") else None
    if pin is None or pin.kind != _KIND:
        return []
    board = layout.spots[raw.channels[0]].channel.board
    at, wired = {}, set()
    for name, display in layout.displays.items():
        key = display.channel.key
        if display.wired and display.channel.board == board and key in layout.chained:
            at[name] = layout.chained[key].bit
            wired |= {layout.chained[key].bit + n for n in range(display.digits)}
    digits = layout.displays[layout.spots[raw.channels[0]].part.name].digits
    dark = {pin.bit + n for n in range(digits)}
    if raw.kind == "digit dead":
        dark = {pin.bit + digit - 1 for each in choices[0] for digit in each.detail["digits"]}
    on = {bit // DIGITS for bit in dark}
    if len(on) > 1 or dark != {bit for bit in wired if bit // DIGITS in on}:
        return []
    (chip,) = on
    chain = {"chain": CHAINS[_KIND]}
    left_out = _chips_of(layout, board, at) > 1 and chip == max(bit // DIGITS for bit in wired)
    bridged = {**chain, "chip": chip + 1}
    if raw.kind == "digit dead":
        driver = BareFinding("common open", raw.channels, {**chain, "driver": chip + 1})
        those = sorted(bit - pin.bit + 1 for bit in dark)
        choices[0][:] = [BareFinding("digit dead", raw.channels, {"digits": those})]
        return [[driver], *([[BareFinding("chip bridged", raw.channels, bridged)]] if left_out else [])]
    detail = {**raw.detail, **chain, "driver": chip + 1} | (bridged if left_out else {})
    choices[0][0] = BareFinding("dead", raw.channels, detail)
    # A digit with common anodes lights while other digits of its driver are scanned; if it is alone, it never does.
    return [[BareFinding("common anode", raw.channels)]] if digits == 1 else []


def _best(layout: PanelIndex, at: Mapping[str, int], chips: int, looks: Sequence[DisplayLook]) -> list[_Hypothesis]:
    """Return the hypotheses that fit: the simplest, and those that cannot be told from it; empty if none fits."""
    pairs = [(_commanded(look, at, chips), _seen(layout, look, at, chips)) for look in looks]
    there = sorted({bit + n for name, bit in at.items() for n in range(layout.displays[name].digits)})
    wrong = {
        look.part for look, (meant, seen) in zip(looks, pairs, strict=True) if any(meant[n] != seen[n] for n in there)
    }
    if len(wrong) < 2 or not any(any(look.set) for look in looks):
        return []
    if not any(any(seen[n] for n in there) for _, seen in pairs):
        on, nothing = sorted({n // DIGITS for n in there}), (None,) * DIGITS * chips
        whole = _Hypothesis("common open", {"driver": on[0] + 1} if len(on) == 1 else {}, nothing)
        # Data meant for a chip that is left out goes to the next one, on which nothing is wired.
        left_out = len(on) == 1 and on[0] + 1 < chips
        return [whole, _Hypothesis("chip bridged", {"chip": on[0] + 1}, nothing)] if left_out else [whole]
    found: dict[tuple[int, ...], list[_Hypothesis]] = {}
    """For each prediction of all digits, the hypotheses that make it, one of each kind."""
    off: dict[tuple[int, ...], int] = {}
    for each in _hypotheses(chips):
        shows = tuple(-1 if each.sources[n] is None else int(each.sources[n] or 0) for n in there)
        if all(source == n for source, n in zip(shows, there, strict=True)):
            continue
        if shows in found:
            if each.kind not in [other.kind for other in found[shows]]:
                found[shows].append(each)
            continue
        misfits = sum(
            any(seen[n] != (0 if source < 0 else meant[source]) for source, n in zip(shows, there, strict=True))
            for meant, seen in pairs
        )
        if misfits <= _ENTERED_WRONGLY * len(pairs):
            found[shows], off[shows] = [each], misfits
    least = min(off.values(), default=0)
    return [each for shows, several in found.items() if off[shows] == least for each in several][:3]


def _hypotheses(chips: int) -> Iterator[_Hypothesis]:
    usual = tuple(range(DIGITS * chips))
    for chip in range(chips):
        for last in dict.fromkeys((chip, chips - 1)):
            dark = range(DIGITS * chip, DIGITS * (last + 1))
            detail: dict[str, Any] = {"driver": chip + 1} | ({"behind": True} if last > chip else {})
            yield _Hypothesis("common open", detail, tuple(None if n in dark else n for n in usual))
    for order in other_orders(chips):
        sources = tuple(DIGITS * order.index(n // DIGITS) + n % DIGITS for n in usual)
        yield _Hypothesis("chips in another order", {"order": [chip + 1 for chip in order]}, sources)
    for chip in range(chips):
        left_out = range(DIGITS * chip, DIGITS * (chip + 1))
        shifted = tuple(None if n in left_out else n - DIGITS if n >= left_out.stop else n for n in usual)
        yield _Hypothesis("chip bridged", {"chip": chip + 1}, shifted)
    for several in [*((chip,) for chip in range(chips)), *([tuple(range(chips))] if chips > 1 else [])]:
        turned = tuple(n // DIGITS * DIGITS + 7 - n % DIGITS if n // DIGITS in several else n for n in usual)
        yield _Hypothesis("chip pins reversed", {"chips": [chip + 1 for chip in several]}, turned)


def _commanded(look: DisplayLook, at: Mapping[str, int], chips: int) -> bytes:
    first = at[look.part]
    return (bytes(first) + look.set).ljust(DIGITS * chips, b"\0")


def _seen(layout: PanelIndex, look: DisplayLook, at: Mapping[str, int], chips: int) -> bytes:
    out = bytearray(DIGITS * chips)
    own = look.set if look.answer == "same" else look.seen
    for name, shown in {**look.displays, look.part: own}.items():
        if name in at:
            digits = layout.displays[name].digits
            out[at[name] : at[name] + digits] = shown[:digits].ljust(digits, b"\0")
    return bytes(out)


def _touched(layout: PanelIndex, at: Mapping[str, int], each: _Hypothesis) -> tuple[str, ...]:
    """Return the displays (channels) that would show something else."""
    out = []
    for name, first in at.items():
        display = layout.displays[name]
        if any(each.sources[n] != n for n in range(first, first + display.digits)):
            out.append(display.channel.key)
    return tuple(out)
