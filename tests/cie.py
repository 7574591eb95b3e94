"""Lightness and luminance by CIE 1976, from the independent `colour-science`, which is loaded when it is asked."""

from __future__ import annotations

import functools


@functools.cache
def luminance_of(lightness: float) -> float:
    """Return Y, 0 to 100, of the lightness L*, 0 to 100."""
    from colour.colorimetry import luminance_CIE1976

    return float(luminance_CIE1976(lightness, 100))


@functools.cache
def lightness_of(luminance: float) -> float:
    """Return L*, 0 to 100, of the luminance Y, 0 to 100."""
    from colour.colorimetry import lightness_CIE1976

    return float(lightness_CIE1976(luminance, 100))
