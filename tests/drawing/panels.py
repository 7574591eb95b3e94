"""Panels to be drawn: large and small."""

from __future__ import annotations

from pathlib import Path

from benchcon.demo import panel_path
from benchcon.panel.file import load
from benchcon.panel.model import Panel

PLATES = {"ostrey": panel_path(), **{name: Path(__file__).with_name(f"{name}.toml") for name in ("small", "box")}}


def panel_of(path: Path) -> Panel:
    return load(path)
