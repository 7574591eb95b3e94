"""Panels read once: many tests ask for the same one, and nobody can change what they get."""

from __future__ import annotations

import functools

from benchcon.panel.file import loads

panel_of = functools.lru_cache(maxsize=256)(loads)
"""Return the panel that a text describes; see `benchcon.panel.file.loads`."""
