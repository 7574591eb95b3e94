"""Works out from the evidence of a walk what is wrong with a panel. Pure: it needs the panel and no board.

`diagnose` takes a panel and a list of evidence, and returns findings. `protocols/walk-report.md` describes both.
"""

from benchcon.diagnosis.diagnose import diagnose
from benchcon.diagnosis.evidence import Change, DisplayLook, Evidence, HandStep, LampLook, Seen
from benchcon.diagnosis.findings import KINDS, Finding

__all__ = ["KINDS", "Change", "DisplayLook", "Evidence", "Finding", "HandStep", "LampLook", "Seen", "diagnose"]
