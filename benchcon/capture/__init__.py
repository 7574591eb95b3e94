"""Captures: the stream of records as a file (`protocols/capture-file.md`), written without delaying the bench.

`Writer` writes one; `Reader` reads one, in order or from any moment; `Ring` keeps what came before a trigger. Each is
imported when it is first used: a bench that was just opened needs only the ring.
"""

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from benchcon.capture.reader import Reader
    from benchcon.capture.ring import Ring
    from benchcon.capture.writer import Writer

__all__ = ["Reader", "Ring", "Writer"]


def __getattr__(name: str) -> object:
    if name not in __all__:
        raise AttributeError(f"module '{__name__}' has no attribute '{name}'")
    return getattr(import_module(f"{__name__}.{name.lower()}"), name)
