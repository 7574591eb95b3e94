"""The walk: a plan made from the panel, evidence in, prompts and verdicts out, and the diagnosis.

`diagnose` takes a panel and a list of evidence and returns the findings; no board is needed. Both are written down in
`protocols/walk-report.md`.
"""

from benchcon.walk.diagnosis import diagnose
from benchcon.walk.evidence import Change, DigitsLook, Evidence, Hand, LampLook, Seen
from benchcon.walk.findings import KINDS, Finding

__all__ = ["KINDS", "Change", "DigitsLook", "Evidence", "Finding", "Hand", "LampLook", "Seen", "diagnose"]
