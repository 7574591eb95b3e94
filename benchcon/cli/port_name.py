"""Ports as people type them: ``ttyUSB0`` is ``/dev/ttyUSB0``."""

from __future__ import annotations

import os


def port_name(text: str) -> str:
    """Return a port's full name: on POSIX, a bare name that is not a file here gets ``/dev/`` in front.

    Paths, network addresses (``socket://HOST:PORT``) and names on other systems are returned unchanged.
    """
    if os.name != "posix" or not text or "/" in text or ":" in text or os.path.exists(text):
        return text
    return f"/dev/{text}"
