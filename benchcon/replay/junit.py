"""Verdicts as JUnit XML: one suite per target, one case per channel."""

from __future__ import annotations

from collections.abc import Sequence

from benchcon.junit import Case, Failure, Suite, document
from benchcon.replay.verdict import Verdict


def as_junit(verdicts: Sequence[tuple[str, Verdict]]) -> str:
    """Return the XML for pairs of a capture's name and a verdict on it."""
    return document([_suite(name, verdict) for name, verdict in verdicts]).decode()


def _suite(name: str, verdict: Verdict) -> Suite:
    cases = [
        Case(
            f"{name}.{verdict.target}",
            channel,
            failure=Failure(text.splitlines()[0], text) if text else None,
            skipped=verdict.untested.get(channel, ""),
        )
        for channel, text in verdict.channels.items()
    ]
    return Suite(f"{name} against {verdict.target}", cases, "\n".join(verdict.remarks))
