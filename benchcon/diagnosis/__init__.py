"""From what a walk saw to what is wrong: pure, and needs only the panel.

`diagnose` takes a panel and a list of evidence and returns the findings; no board is needed. Both are written down in
`protocols/walk-report.md`.
"""

from benchcon.diagnosis.diagnose import diagnose
from benchcon.diagnosis.evidence import Change, DisplayLook, Evidence, HandStep, LampLook, Seen
from benchcon.diagnosis.findings import KINDS, Finding

__all__ = ["KINDS", "Change", "DisplayLook", "Evidence", "Finding", "HandStep", "LampLook", "Seen", "diagnose"]
