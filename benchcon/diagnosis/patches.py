"""Lines of a panel file that correct a finding instead of the wiring."""

from __future__ import annotations

from json import dumps

from benchcon.diagnosis.findings import BareFinding
from benchcon.diagnosis.layout import PanelIndex, Spot
from benchcon.panel.model import Channel, Control, Lamp


def patch(layout: PanelIndex, raw: BareFinding, spots: list[Spot]) -> str:
    """Return lines of a panel file that correct the finding `raw`; empty if none can."""
    first = spots[0].part
    if any(spot.part.made_by for spot in spots):
        return ""  # a part of a repeat, or a lamp in a control, has no table of its own for these lines
    if raw.kind == "crossed":
        return _patch_crossed(layout, raw, spots)
    if isinstance(first, Lamp):
        return f'[lamps.{first.name}]\ncolour = "{raw.detail["colour"]}"\n' if raw.kind == "wrong colour" else ""
    if not isinstance(first, Control):
        return ""
    head = f"[controls.{first.name}]\n"
    if raw.kind == "inverted":
        return head + _channels(first, {spots[0].place: _turned(spots[0].channel)})
    if raw.kind == "reversed" and raw.detail.get("on") == "switch":
        return head + _channels(first, dict(enumerate(reversed(first.channels))))
    if raw.kind == "reversed" and raw.detail.get("on") != "selector":
        return head + f"inverted = {str(not first.inverted).lower()}\n"
    if raw.kind == "other counts":
        return head + f"counts_per_detent = {raw.detail['counts']}\n"
    if raw.kind in ("short of range", "other range"):
        return head + f"low = {raw.detail['low']}\nhigh = {raw.detail['high']}\n"
    if raw.kind in ("positions crossed", "reversed"):
        codes = [code[0] for code in first.codes]
        if raw.kind == "reversed":
            codes = [max(codes) + min(codes) - code for code in codes]
        else:
            for to, value in dict(raw.detail["positions"]).items():
                codes[int(to)] = value
        return head + f"code = [{', '.join(f'[{code}]' for code in codes)}]\n"
    return ""


def _turned(channel: Channel) -> Channel:
    return channel._replace(active="low" if channel.active == "high" else "high")


def _patch_crossed(layout: PanelIndex, raw: BareFinding, spots: list[Spot]) -> str:
    """Return lines that give each part the channel where it arrives."""
    new: dict[str, dict[int, Channel]] = {}
    for index, spot in enumerate(spots):
        # A control's signal arrives at the next one's channel. A lamp's command leaves at the previous one's.
        toward = spots[(index + 1) % len(spots)] if isinstance(spot.part, Control) else spots[index - 1]
        new.setdefault(spot.part.name, {})[spot.place] = toward.channel
    lines = []
    for part_name, places in new.items():
        part = layout.part(part_name)
        room = "controls" if isinstance(part, Control) else "lamps" if isinstance(part, Lamp) else "displays"
        lines.append(f"[{room}.{part_name}]\n")
        if isinstance(part, Control):
            lines.append(_channels(part, places))
        else:
            lines.append(f"channel = {table(places[0], part.channel.active)}\n")
    return "".join(lines)


def _channels(control: Control, new: dict[int, Channel]) -> str:
    rows = [table(new.get(n, c), new[n].active if n in new else c.active) for n, c in enumerate(control.channels)]
    if len(rows) == 1:
        return f"channel = {rows[0]}\n"
    return "channels = [\n" + "".join(f"  {row},\n" for row in rows) + "]\n"


def table(channel: Channel, active: str) -> str:
    """Return a channel as a panel file writes it, on one line."""
    wire = channel.wire
    pairs = {
        "id": channel.key,
        "pin": wire.pin,
        "connector": wire.connector,
        "connector_pin": wire.connector_pin,
        "wire": wire.colour,
        "active": active,
    }
    return "{ " + ", ".join(f"{key} = {quoted(value)}" for key, value in pairs.items() if value) + " }"


def quoted(text: str) -> str:
    """Return `text` as a TOML string."""
    return dumps(text, ensure_ascii=False)
