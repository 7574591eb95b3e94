"""Waiting for what a test needs, instead of sleeping."""

from __future__ import annotations

import time
from collections.abc import Callable

PATIENCE_S = 30.0
"""A loaded machine may take its time; nothing waits longer than it must."""


def until(test: Callable[[], object], what: str = "it did not come about", within_s: float = PATIENCE_S) -> float:
    """Wait until `test` holds; how long it took in seconds. AssertionError with `what` if that takes too long."""
    began = time.monotonic()
    while not test():
        assert time.monotonic() - began < within_s, f"waited in vain: {what}"
        time.sleep(0.005)
    return time.monotonic() - began
