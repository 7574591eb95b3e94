"""Ring, triggers and capture writer at work on a bench."""

from benchcon.recording.keeper import Keeper
from benchcon.recording.recorder import Recorder

__all__ = ["Keeper", "Recorder"]
