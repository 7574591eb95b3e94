"""What `benchcon check` finds about behaviour, rules and scenario files, alone and together. No rule is run."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path

from benchcon.errors import Trouble
from benchcon.panel.file import LARGEST, load, slurp
from benchcon.panel.model import Panel
from benchcon.panel.reader import PanelRemark, as_finding
from benchcon.rehearse import behaviour, rules_file, scenario
from benchcon.rehearse.rules_file import Rule
from benchcon.text import counted

Checked = tuple[list[PanelRemark], str]
"""The findings, and a summary of what is in the file; empty if it cannot be read."""


def check_behaviour(path: str, raw: bytes, panel: Panel | None) -> Checked:
    """Check a behaviour file, and the rules file and the panel file that it names."""
    read, findings = behaviour.inspect(raw, path)
    if read is None:
        return findings, ""
    summary = counted(len(read.values), "value")
    if read.panel is not None and panel is None and not any(finding.grave for finding in findings):
        try:
            panel = load(read.panel)
        except Trouble as trouble:
            findings.append(as_finding(str(read.panel), str(trouble)))
    if read.rules is not None and read.rules.is_file():
        try:
            text = slurp(read.rules, LARGEST + 1, whole=False)
        except Trouble as trouble:
            return [*findings, as_finding(str(read.rules), str(trouble))], summary
        rules, more = rules_file.inspect(text, str(read.rules), panel, read)
        findings += [*more, *rules_file.unused(read, rules)]
        summary += f", {_rules(rules)}"
    return _once(findings), summary


def check_rules(path: str, raw: bytes, panel: Panel | None) -> Checked:
    """Check a rules file; also against the values of a behaviour file beside it, if one names it."""
    read = next((found for found in _beside(Path(path))), None)
    findings = []
    if panel is None and read is not None and read.panel is not None:
        try:
            panel = load(read.panel)
        except Trouble as trouble:
            findings.append(as_finding(str(read.panel), str(trouble)))
    rules, found = rules_file.inspect(raw, path, panel, read)
    findings += found
    if panel is None:
        text = "was not compared with a panel: name one with --panel FILE, or in a behaviour file beside it"
        findings.append(PanelRemark(path, 0, text, False))
    elif read is None:
        text = f'parameters were not checked: no behaviour file beside it says rules = "{Path(path).name}"'
        findings.append(PanelRemark(path, 0, text, False))
    return _once(findings), _rules(rules)


def check_scenario(path: str, raw: bytes, panel: Panel | None) -> Checked:
    """Check a scenario, and the files that it names."""
    named = scenario.Named(Path(panel.path)) if panel is not None else None
    read, findings = scenario.inspect(raw, path, named)
    if read is None:
        return findings, ""
    summary = f"{read.lasts_us / 1e6:g} s, {counted(len(read.checks), 'expectation')}"
    try:
        text = slurp(read.rules, LARGEST + 1, whole=False)
    except Trouble as trouble:
        return [*findings, as_finding(str(read.rules), str(trouble))], summary
    rules, more = rules_file.inspect(text, str(read.rules), read.panel, read.behaviour)
    return _once([*findings, *more]), f"{summary}, {_rules(rules)}"


def _beside(path: Path) -> Iterable[behaviour.Behaviour]:
    """Yield the behaviour files in the same folder that name these rules."""
    try:
        others = sorted(path.parent.glob("*.toml"))[:200]
    except OSError:
        return
    for other in others:
        try:
            raw = slurp(other, LARGEST + 1, whole=False)
        except Trouble:
            continue
        if behaviour.looks_like_one(raw.decode("utf-8", "replace")):
            read, _ = behaviour.inspect(raw, str(other))
            if read is not None and read.rules is not None and read.rules.resolve() == path.resolve():
                yield read


def _rules(rules: list[Rule]) -> str:
    outputs = sum(len(rule.drives) for rule in rules)
    return f"{counted(len(rules), 'rule')} for {counted(outputs, 'output')}"


def _once(findings: list[PanelRemark]) -> list[PanelRemark]:
    """Return findings in the order of files and lines, without repeats."""
    order = {finding.file: number for number, finding in reversed(list(enumerate(findings)))}
    return sorted(dict.fromkeys(findings), key=lambda finding: (order[finding.file], finding.line))


CHECKS: dict[str, Callable[[str, bytes, Panel | None], Checked]] = {
    behaviour.KIND: check_behaviour,
    rules_file.KIND: check_rules,
    scenario.KIND: check_scenario,
}
"""Kind of file → function that checks it."""
