"""Rehearsal: the panel at work without a simulator. Rules import everything that they need from here.

A rules file is plain Python (see `protocols/behaviour-file.md`)::

    from benchcon.rehearse import display, hysteresis, lamp

    @lamp("crosswind")
    def crosswind(crosswind_kt, memory):
        return hysteresis(memory, "above", crosswind_kt, on=20, off=18)

This module imports no more of the program than a rule needs.
"""

from benchcon.rehearse.helpers import Memory, after, blink, convert, hysteresis, latch, nearest, rising, toggle
from benchcon.rehearse.marks import derived, display, lamp

__all__ = [
    "Memory",
    "after",
    "blink",
    "convert",
    "derived",
    "display",
    "hysteresis",
    "lamp",
    "latch",
    "nearest",
    "rising",
    "toggle",
]
