"""Seeded panels of 8 to 64 channels on one to four boards, and seeded faults for them."""

from __future__ import annotations

import random

from walk.rig import Bad, key

from benchcon.panel.model import Board, Channel, Control, Display, Lamp, Matrix, Panel, Place, Wire

COLOURS = ("red", "amber", "green", "blue", "white")
WIRES = ("brown", "red", "orange", "yellow", "green", "blue", "violet", "grey", "white", "black")


class Maker:
    def __init__(self, rng: random.Random) -> None:
        self.rng = rng
        self.boards = [Board(f"b{n}", budget_ma=rng.choice((100, 250, 400))) for n in range(rng.randrange(1, 5))]
        self.used = dict.fromkeys((b.name for b in self.boards), 0)
        self.place = 0

    def channel(self, board: str, pin: str = "") -> Channel:
        n = self.used[board]
        self.used[board] += 1
        wire = Wire(pin, f"J{n // 10 + 1}", str(n % 10 + 1), WIRES[n % 10]) if self.rng.random() < 0.7 else Wire(pin)
        return Channel(board, f"c{n}", wire, "low")

    def at(self) -> Place:
        self.place += 1
        return Place(20.0 * (self.place % 12), 30.0 * (self.place // 12))


def random_panel(rng: random.Random) -> Panel:
    """A panel with all kinds of parts."""
    m = Maker(rng)
    target = rng.randrange(8, 65)
    controls: list[Control] = []
    lamps: list[Lamp] = []
    displays: list[Display] = []
    matrices: list[Matrix] = []
    if target > 24 and rng.random() < 0.5:
        board = rng.choice(m.boards).name
        rows, columns = rng.randrange(2, 4), rng.randrange(2, 5)
        name = "keys"
        matrices.append(Matrix(name, board, ("D4",) * rows, ("D8",) * columns, diodes=True))
        for r in range(rows):
            for c in range(columns):
                controls.append(
                    Control(
                        f"key{r}{c}",
                        f"Key {r}{c}",
                        "button",
                        (m.channel(board, f"{name}.r{r}c{c}"),),
                        ("released", "pressed"),
                        ((0,), (1,)),
                        (1,),
                        place=m.at(),
                        matrix=name if rng.random() < 0.5 else "",
                    )
                )
    while True:
        total = sum(m.used.values())
        if total >= target - 1:
            break
        board = rng.choice(m.boards).name
        n = len(controls) + len(lamps) + len(displays)
        kind = rng.choices(
            (
                "button",
                "toggle",
                "rotary",
                "coded",
                "three",
                "selector",
                "encoder",
                "pot",
                "lamp",
                "display",
                "nc",
                "spring",
            ),
            (8, 7, 2, 1, 2, 1, 2, 2, 12, 2, 1, 1),
        )[0]
        label, place = f"Part {n}", m.at()
        if kind == "lamp":
            lamps.append(Lamp(f"l{n}", label, m.channel(board), rng.choice(COLOURS), place=place))
        elif kind == "display":
            displays.append(Display(f"d{n}", label, m.channel(board), rng.randrange(1, 7), segment_ma=2.0, place=place))
        elif kind == "encoder":
            per = rng.choice((1, 2, 4, 4))
            controls.append(
                Control(
                    f"e{n}",
                    label,
                    "encoder",
                    (m.channel(board),),
                    detent_counts=per,
                    inverted=rng.random() < 0.2,
                    place=place,
                )
            )
        elif kind == "pot":
            low, high = rng.choice(((0, 1023), (0, 4095), (12, 1010)))
            controls.append(
                Control(
                    f"p{n}",
                    label,
                    "pot",
                    (m.channel(board),),
                    low_count=low,
                    high_count=high,
                    inverted=rng.random() < 0.2,
                    place=place,
                )
            )
        else:
            positions, codes, spring = 2, ((0,), (1,)), ()
            if kind in ("button", "nc"):
                spring = (1,)
                codes = ((1,), (0,)) if kind == "nc" else codes
            elif kind == "rotary":
                positions = min(rng.randrange(3, 9), max(3, target - total))
                codes = tuple(tuple(int(i == k) for i in range(positions)) for k in range(positions))
            elif kind == "coded":
                positions = 4
                codes = ((0, 0), (0, 1), (1, 1), (1, 0))
            elif kind in ("three", "spring"):
                positions = 3
                codes = ((1, 0), (0, 0), (0, 1))
                spring = (0, 2) if kind == "spring" else ()
            elif kind == "selector":
                positions = rng.randrange(3, 8)
                codes = tuple((k,) for k in range(positions))
            controls.append(
                Control(
                    f"s{n}",
                    label,
                    "button" if kind in ("button", "nc") else "switch",
                    tuple(m.channel(board) for _ in codes[0]),
                    tuple(f"p{k}" for k in range(positions)),
                    codes,
                    spring,
                    place=place,
                    debounce_ms=rng.choice((5.0, 10.0, 10.0, 20.0)),
                )
            )
    return Panel(
        "random",
        boards=tuple(m.boards),
        controls=tuple(controls),
        lamps=tuple(lamps),
        displays=tuple(displays),
        matrices=tuple(matrices),
    )


def random_bad(panel: Panel, rng: random.Random) -> Bad | None:
    """One fault of any kind that this panel can have; every kind is as likely, as far as there are parts for it."""
    makers = [
        _contact(panel, rng, kind)
        for kind in ("open", "stuck", "inverted", "chattering", "crossed", "ring", "shorted", "ghost")
    ]
    makers += [
        _encoder(panel, rng, kind) for kind in ("reversed", "skipping", "other counts", "open", "phase open", "crossed")
    ]
    makers += [_pot(panel, rng, kind) for kind in ("reversed", "short of range", "noisy", "open", "crossed")]
    makers += [_selector(panel, rng, kind) for kind in ("reversed", "positions crossed", "position missing", "open")]
    makers += [
        _lamp(panel, rng, kind)
        for kind in ("dead", "always on", "crossed", "ring", "lit together", "dim", "wrong colour", "flickering")
    ]
    makers += [
        _digits(panel, rng, kind)
        for kind in (
            "segment dead",
            "segment stuck",
            "segments swapped",
            "digits swapped",
            "segments together",
            "digit dead",
            "dead",
            "crossed",
        )
    ]
    there = [bad for bad in makers if bad is not None]
    return rng.choice(there) if there else None


def _pick(rng: random.Random, keys: list[str], count: int) -> tuple[str, ...] | None:
    """Channels of one board, mostly neighbours."""
    if len(keys) < count:
        return None
    boards: dict[str, list[str]] = {}
    for k in keys:
        boards.setdefault(k.split(".")[0], []).append(k)
    rows = [row for row in boards.values() if len(row) >= count]
    if not rows:
        return None
    row = rng.choice(rows)
    return tuple(rng.sample(row, count))


def _contact(panel: Panel, rng: random.Random, kind: str) -> Bad | None:
    direct, keyed = [], []
    for control in panel.controls:
        if control.kind in ("button", "switch") and max(max(c) for c in control.codes) < 2:
            for channel in control.channels:
                (keyed if ".r" in channel.wire.pin else direct).append(key(channel))
    pool = keyed if keyed and (not direct or rng.random() < 0.4) else direct
    if kind == "ghost":
        if not panel.matrices or len(keyed) < 4:
            return None
        return Bad("ghost", (), {"matrix": panel.matrices[0].name, "shorted": ()}, "none")
    count = {"crossed": 2, "shorted": 2, "ring": rng.choice((3, 3, 4, 5))}.get(kind, 1)
    channels = _pick(rng, pool, count)
    if channels is None:
        return None
    how = {"open": ("wire", "jammed"), "stuck": ("welded", "grounded")}.get(kind, ("",))
    return Bad("crossed" if kind == "ring" else kind, channels, {}, rng.choice(how))


def _encoder(panel: Panel, rng: random.Random, kind: str) -> Bad | None:
    row = [c for c in panel.controls if c.kind == "encoder"]
    if kind == "crossed":
        # Of unlike encoders the counts would differ too; that is two faults.
        row = [c for c in row if c.detent_counts == 4 and not c.inverted]
    channels = _pick(rng, [key(c.channels[0]) for c in row], 2 if kind == "crossed" else 1)
    if channels is None:
        return None
    control = next(c for c in row if key(c.channels[0]) == channels[0])
    if kind == "other counts":
        return Bad(kind, channels, {"counts": rng.choice([n for n in (1, 2, 4) if n != control.detent_counts])})
    return Bad(kind, channels, {"counts": control.detent_counts}, rng.choice("AB") if kind == "phase open" else "")


def _pot(panel: Panel, rng: random.Random, kind: str) -> Bad | None:
    row = [c for c in panel.controls if c.kind == "pot"]
    if kind == "crossed":
        row = [c for c in row if (c.low_count, c.high_count, c.inverted) == (0, 1023, False)]
    channels = _pick(rng, [key(c.channels[0]) for c in row], 2 if kind == "crossed" else 1)
    if channels is None:
        return None
    control = next(c for c in row if key(c.channels[0]) == channels[0])
    span = control.high_count - control.low_count
    return Bad(
        kind,
        channels,
        {
            "from": rng.choice((0.0, rng.uniform(0.08, 0.3))),
            "to": rng.uniform(0.6, 0.92),
            "by": span * rng.uniform(0.02, 0.1),
        },
    )


def _selector(panel: Panel, rng: random.Random, kind: str) -> Bad | None:
    row = [c for c in panel.controls if c.kind == "switch" and max(max(code) for code in c.codes) > 1]
    if not row:
        return None
    control = rng.choice(row)
    count = len(control.codes)
    detail = {
        "swap": tuple(rng.sample(range(count), 2)),
        "position": rng.randrange(count),
        "value": rng.randrange(count),
        "mirror": count,
    }
    if kind == "positions crossed" and sum(detail["swap"]) == count - 1 and count == 3:
        detail["swap"] = (0, 1)  # the two outer ones of three: that is the whole order turned round
    return Bad(kind, (key(control.channels[0]),), detail)


def _lamp(panel: Panel, rng: random.Random, kind: str) -> Bad | None:
    count = {"crossed": 2, "lit together": 2, "ring": rng.choice((3, 4))}.get(kind, 1)
    channels = _pick(rng, [key(lamp.channel) for lamp in panel.lamps], count)
    if channels is None:
        return None
    colour = next(lamp.colour for lamp in panel.lamps if key(lamp.channel) == channels[0])
    detail = {"colour": rng.choice([c for c in COLOURS if c != colour])}
    return Bad("crossed" if kind == "ring" else kind, channels, detail)


def _digits(panel: Panel, rng: random.Random, kind: str) -> Bad | None:
    if not panel.displays:
        return None
    display = rng.choice(panel.displays)
    own = (key(display.channel),)
    if kind == "crossed":
        row = [d for d in panel.displays if d.digits == display.digits and d.channel.board == display.channel.board]
        return Bad(kind, tuple(key(d.channel) for d in rng.sample(row, 2))) if len(row) > 1 else None
    if kind == "dead":
        return Bad(kind, own)
    if kind == "digits swapped":
        if display.digits < 2:
            return None
        order = list(range(1, display.digits + 1))
        while order == sorted(order):
            if rng.random() < 0.6:
                a, b = rng.sample(range(display.digits), 2)
                order[a], order[b] = order[b], order[a]
            else:
                rng.shuffle(order)
        return Bad(kind, own, {"order": order})
    place = [rng.randrange(1, display.digits + 1)] if display.digits > 1 and rng.random() < 0.5 else []
    if kind == "digit dead":
        return Bad(kind, own, {"digits": [rng.randrange(1, display.digits + 1)]}) if display.digits > 1 else None
    count = 2 if kind in ("segments swapped", "segments together") else 1
    return Bad(kind, own, {"segments": rng.sample("ABCDEFGP", count), "digits": place})
