"""Whether findings name the faults that were put in: kind (or its documented class) and channels, no more and no
less."""

from __future__ import annotations

from itertools import product

from walk.rig import Bad, key

from benchcon.diagnosis.findings import Finding
from benchcon.panel.model import Panel


def names(finding: Finding, bad: Bad, panel: Panel) -> bool:
    """Whether `finding` is `bad`."""
    if bad.kind not in finding.kinds:
        return False
    if bad.kind == "ghost":
        return finding.detail.get("matrix") == bad.detail["matrix"]
    if len(bad.channels) > 2 and bad.kind == "crossed":
        n = len(bad.channels)
        rounds = {bad.channels[i:] + bad.channels[:i] for i in range(n)}
        if tuple(finding.channels) not in rounds:
            return False
    elif set(finding.channels) != set(bad.channels):
        return False
    if "segments" in bad.detail:
        one = next(d.digits for d in panel.displays if key(d.channel) == bad.channels[0]) == 1
        if set(finding.detail.get("segments", ())) != set(bad.detail["segments"]):
            return False
        return one or list(finding.detail.get("digits", ())) == list(bad.detail["digits"])
    if bad.kind == "digits swapped":
        return list(finding.detail["order"]) == list(bad.detail["order"])
    if bad.kind == "digit dead":
        return list(finding.detail["digits"]) == list(bad.detail["digits"])
    if bad.kind == "other counts":
        return finding.detail["counts"] == bad.detail["counts"]
    if bad.kind == "wrong colour":
        return finding.detail["colour"] == bad.detail["colour"]
    if bad.kind == "position missing":
        return finding.detail.get("position") == bad.detail["position"]
    return True


def named(findings: list[Finding], bads: list[Bad], panel: Panel) -> bool:
    """Whether some reading of `findings` (one choice of each open question) is just `bads`."""
    sure = [f for f in findings if f.either is None]
    groups: dict[int, dict[int, list[Finding]]] = {}
    for f in findings:
        if f.either:
            groups.setdefault(f.either.group, {n: [] for n in range(1, f.either.choices + 1)})[f.either.choice].append(
                f
            )
    for picked in product(*(choices.values() for choices in groups.values())):
        all_of = sure + [f for choice in picked for f in choice]
        if len(all_of) == len(bads) and _match(all_of, bads, panel):
            return True
    return False


def _match(findings: list[Finding], bads: list[Bad], panel: Panel) -> bool:
    if not bads:
        return True
    first, *rest = bads
    for n, finding in enumerate(findings):
        if names(finding, first, panel) and _match(findings[:n] + findings[n + 1 :], rest, panel):
            return True
    return False
