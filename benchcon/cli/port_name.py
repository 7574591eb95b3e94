"""Ports as people type them: ``ttyUSB0`` is ``/dev/ttyUSB0``."""

from __future__ import annotations

import os


def port_name(text: str) -> str:
    """Return a port's whole name: a bare name that is no file here is one of the system's devices.

    Paths, network addresses (``socket://HOST:PORT``) and names of other systems stay as they are.
    """
    if os.name != "posix" or not text or "/" in text or ":" in text or os.path.exists(text):
        return text
    return f"/dev/{text}"
