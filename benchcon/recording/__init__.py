"""Ring, triggers and capture writer at work on a bench; each is imported when it is first used."""

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from benchcon.recording.keeper import Keeper
    from benchcon.recording.recorder import Recorder

__all__ = ["Keeper", "Recorder"]


def __getattr__(name: str) -> object:
    if name not in __all__:
        raise AttributeError(f"module '{__name__}' has no attribute '{name}'")
    return getattr(import_module(f"{__name__}.{name.lower()}"), name)
