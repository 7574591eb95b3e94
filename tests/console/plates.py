"""Panels with places in millimetres, for tests of how the console draws them."""

from __future__ import annotations

from console.on_boards import OSTREY

from benchcon.panel.file import load, loads
from benchcon.panel.model import Panel


def control(name: str, label: str, kind: str, at: tuple[float, float], more: str = "") -> str:
    return (
        f'[controls.{name}]\nlabel = "{label}"\nkind = "{kind}"\nat = ["{at[0]} mm", "{at[1]} mm"]\n'
        f'channel = "{name[:8]}"\n{more}\n'
    )


def lamp(name: str, label: str, colour: str, at: tuple[float, float], board: str = "") -> str:
    where = f"{board}." if board else ""
    return (
        f'[lamps.{name}]\nlabel = "{label}"\ncolour = "{colour}"\nat = ["{at[0]} mm", "{at[1]} mm"]\n'
        f'channel = "{where}{name[:8]}"\n'
    )


def display(name: str, label: str, digits: int, at: tuple[float, float]) -> str:
    return (
        f'[displays.{name}]\nlabel = "{label}"\ndigits = {digits}\nat = ["{at[0]} mm", "{at[1]} mm"]\n'
        f'channel = "{name[:8]}"\n'
    )


def small() -> Panel:
    """A plate of 10 × 15 cm with twelve parts."""
    text = '[panel]\ntitle = "Small"\nwidth = "100 mm"\nheight = "150 mm"\n[boards.hand]\n'
    text += display("speed", "Speed", 4, (50, 20))
    for n, name in enumerate(("Ready", "Running", "Overload")):
        text += lamp(f"l{n}", name, ("green", "white", "red")[n], (20 + 30 * n, 50))
    for n, name in enumerate(("Start", "Stop", "Reset")):
        text += control(f"b{n}", name, "button", (20 + 30 * n, 78))
    text += control("way", "Direction", "switch", (20, 106)) + control("brake", "Brake", "switch", (50, 106))
    text += control("lock", "Lock", "switch", (80, 106))
    text += control("rate", "Rate", "encoder", (30, 134), "counts_per_detent = 4")
    text += control("level", "Level", "pot", (70, 134))
    return loads(text)


def wide() -> Panel:
    """A plate 48 cm wide and one unit of ten centimetres high: twelve lamps over twelve switches, evenly spaced."""
    text = '[panel]\ntitle = "Wide"\nwidth = "480 mm"\nheight = "100 mm"\n[boards.row]\n'
    for n in range(12):
        text += lamp(f"l{n}", f"Pump {n + 1} on", "green", (42 + 36 * n, 30))
        text += control(f"s{n}", f"Pump {n + 1}", "switch", (42 + 36 * n, 68))
    return loads(text)


def keypad() -> Panel:
    """Sixteen keys in a grid beside two displays and a rotary switch; two boards, mixed on one plate."""
    text = '[panel]\ntitle = "Keys"\nwidth = "260 mm"\nheight = "170 mm"\n[boards.keys]\n[boards.show]\n'
    for n in range(16):
        at = 30 + 30 * (n % 4), 40 + 30 * (n // 4)
        text += control(f"k{n}", "123A456B789C*0#D"[n], "button", at).replace('"k', '"keys.k')
    text += display("one", "Frequency in use", 5, (205, 45)).replace('"one', '"show.one')
    text += display("two", "Standby", 5, (205, 85)).replace('"two', '"show.two')
    text += (
        '[controls.mode]\nlabel = "Mode"\nkind = "switch"\npositions = ["off", "low", "mid", "high"]\n'
        'at = ["205 mm", "130 mm"]\nchannels = ["show.m0", "show.m1", "show.m2", "show.m3"]\n'
    )
    return loads(text)


PANELS = {"ostrey": lambda: load(OSTREY), "small": small, "wide": wide, "keypad": keypad}
