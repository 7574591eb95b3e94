"""Panels to be drawn: large and small."""

from __future__ import annotations

from pathlib import Path

from benchcon.demo import panel_path
from benchcon.panel.file import load
from benchcon.panel.model import Panel

PLATES = {"ostrey": panel_path(), "small": Path(__file__).with_name("small.toml")}


def panel_of(path: Path) -> Panel:
    return load(path)
