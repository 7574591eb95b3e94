"""The result of a walk in words: counts, findings with where to look and what decides, and where the report is."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from rich.text import Text

from benchcon.diagnosis.evidence import NOT_DONE
from benchcon.report.folder import PAGE
from benchcon.report.walk import foremost
from benchcon.text import printable
from benchcon.view.palette import BAD, BRASS, ENGRAVED, GOOD, IVORY, WARN
from benchcon.walk.marks import count_words


def ending_text(report: Mapping[str, Any] | None, trouble: str, folder: str, goes_on: bool = False) -> Text:
    """Return the text. `report` is None for a walk that was left; `folder` is empty for a walk without one.

    `goes_on` says that a walk started with the folder continues where this one was left.
    """
    text = Text()
    if trouble:
        text.append(f"{trouble}\n\n", BAD)
    if report is None:
        text.append(
            f"The walk was ended early. Start again with the folder {printable(folder)}, and it continues from here.\n"
            if folder and goes_on
            else "The walk was ended early.\n",
            IVORY,
        )
        return text
    text.append(f"{count_words(report)}.\n", IVORY)
    shown, more = foremost(report["findings"])
    for finding in (report["findings"][number] for number in shown):
        either = finding.get("either")
        text.append(f"\n{'?' if either else '✗'} {printable(finding['line'])}\n", WARN if either else BAD)
        if finding["decide"]:
            text.append(f"  To decide: {printable(finding['decide'])}.\n", ENGRAVED)
        if finding["patch"]:
            text.append("  Or change the panel file:\n", ENGRAVED)
            for line in str(finding["patch"]).splitlines():
                text.append(f"    {printable(line)}\n", IVORY)
    if more:
        text.append(f"\n{more}. They are all in the report.\n", WARN)
    left_out = [p["label"] or p["name"] for p in report["parts"] if p["verdict"] in NOT_DONE]
    if left_out:
        text.append(f"\nNot tested: {printable(', '.join(left_out))}.\n", WARN)
    supplies = [f"{each['label']} {each['verdict']}" for each in report.get("supplies", ())]
    if supplies:
        text.append(f"\nWhat feeds what: {printable(', '.join(supplies))}.\n", ENGRAVED)
    if not report["findings"]:
        text.append("\nNo fault was found.\n", GOOD)
    return text


def where(report: Mapping[str, Any] | None, folder: str) -> Text:
    """Return the line that says where the report is and how to open it; empty without a report."""
    if report is None:
        return Text()
    if not folder:
        return Text("No report was asked for.", WARN)
    return Text(f"Report: open {printable(folder)}/{PAGE} in a browser; it is the page to keep with the panel.", BRASS)
