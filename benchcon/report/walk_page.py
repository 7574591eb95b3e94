"""The report as one HTML page that needs nothing else: to be kept with the panel, printed, or sent."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from html import escape
from typing import Any

from benchcon.diagnosis.figures import words
from benchcon.kinds import kinds
from benchcon.panel.model import Panel
from benchcon.report.walk import foremost
from benchcon.report.walk_face import face
from benchcon.walk.marks import MARKS, count_words

_STYLE = """
:root { color-scheme: light dark; --paper: #fbfaf6; --ink: #1d2126; --faint: #6b7178; --line: #d8d5cb; --plate: #e7e4da;
  --passed: #1d7a35; --faulty: #b3261e; --possibly: #9a5b00; --none: #6b7178; }
@media (prefers-color-scheme: dark) { :root { --paper: #16191d; --ink: #e6e4dd; --faint: #9aa0a6; --line: #343a40;
  --plate: #262b31; --passed: #6fd08a; --faulty: #ff8a80; --possibly: #ffc266; --none: #9aa0a6; } }
* { box-sizing: border-box; }
body { margin: 0 auto; padding: 2rem 1.5rem 4rem; max-width: 72rem; background: var(--paper); color: var(--ink);
  font: 16px/1.5 "Source Sans 3", "Segoe UI", "DejaVu Sans", sans-serif; }
h1 { font-size: 1.9rem; line-height: 1.2; margin: 0; } h2 { font-size: 1.15rem; margin: 2.5rem 0 .75rem; }
.verdict { display: inline-block; margin: .75rem 0 0; padding: .2rem .8rem; border: 2px solid; border-radius: 2rem;
  font-weight: 700; } .verdict.passed { color: var(--passed); } .verdict.faulty { color: var(--faulty); }
.about { color: var(--faint); margin: .5rem 0 0; }
.face { width: 100%; height: auto; max-height: 80vh; display: block; }
.plate { fill: var(--plate); stroke: var(--line); } .metal { fill: #b9bcc0; stroke: #6d7175; stroke-width: .6; }
.fault { fill: none; stroke: var(--faulty); stroke-width: 1.2; }
.part.possibly-faulty .fault { stroke: var(--possibly); }
.tick { stroke: var(--ink); stroke-width: .8; }
.ring { fill: #b9bcc0; stroke: #4c5054; stroke-width: 1.6; stroke-dasharray: 2 1.2; }
.pointer { stroke: #23272b; stroke-width: 1.8; stroke-linecap: round; }
.lamp { stroke: #6d7175; stroke-width: .5; }
.label { fill: var(--ink); } .label, .digits { font-family: Helvetica, Arial, "Liberation Sans", sans-serif; }
.rim { fill: #c9ccd0; stroke: #8d9195; stroke-width: .4; } .glass { fill: #111; }
.sign { font-weight: 700; text-anchor: middle; fill: var(--paper); }
.mark { fill: var(--none); stroke: var(--paper); }
.part.passed .mark { fill: var(--passed); } .part.faulty .mark { fill: var(--faulty); }
.part.possibly-faulty .mark { fill: var(--possibly); }
.finding { border: 1px solid var(--line); border-left: 6px solid var(--faulty); border-radius: 4px; padding: .8rem 1rem;
  margin: 0 0 .8rem; } .finding.possibly-faulty { border-left-color: var(--possibly); }
.finding h3 { margin: 0; font-size: 1.05rem; } .finding p { margin: .35rem 0 0; } .finding b { font-weight: 600; }
pre { margin: .5rem 0 0; padding: .6rem .8rem; background: var(--plate); border-radius: 4px;
  white-space: pre-wrap; overflow-wrap: anywhere;
  font: 13px/1.45 "DejaVu Sans Mono", monospace; }
.wide { overflow-x: auto; } table { border-collapse: collapse; width: 100%; font-size: .93rem; }
th, td { text-align: left; padding: .35rem .7rem .35rem 0; border-bottom: 1px solid var(--line); vertical-align: top; }
th { font-weight: 600; color: var(--faint); } td.passed { color: var(--passed); } td.faulty { color: var(--faulty); }
td.possibly-faulty { color: var(--possibly); } td.num { white-space: nowrap; }
code { font: .88em "DejaVu Sans Mono", monospace; }
.key { color: var(--faint); font-size: .9rem; margin: .6rem 0 0; } .key b { font-weight: 700; }
.key .passed { color: var(--passed); } .key .faulty { color: var(--faulty); }
.key .possibly-faulty { color: var(--possibly); }
@page { margin: 14mm; }
@media print { :root { color-scheme: light; --paper: #fff; --ink: #000; --faint: #444; --line: #bbb; --plate: #f1efe8;
  --passed: #1d7a35; --faulty: #b3261e; --possibly: #9a5b00; --none: #555; }
  body { padding: 0; max-width: none; font-size: 10pt; print-color-adjust: exact; }
  .face { max-height: 150mm; } .wide { overflow: visible; } h2 { break-after: avoid; margin-top: 1.5rem; }
  .face, .finding, tr { break-inside: avoid; } table { font-size: 8.5pt; } }
"""


CAUTION = (
    "Before you open the panel: every supply off, USB as well, batteries out, and wait until the capacitors are empty. "
    "Take wires off and put them on with the supply off only. Extra-low voltage alone (SELV) has a place here. Touch "
    "ground before you touch a board. Do not drive a module whose own supply is off: it is fed through its inputs. A "
    "fuse is chosen by the wire behind it. Solder with the supply off, with air, and with your eyes covered."
)
"""What whoever mends a panel must mind; common practice."""


def page(report: Mapping[str, Any], panel: Panel, changed: Sequence[str] | None = None) -> str:
    """Return the page. `changed`: what is other than in an earlier report; None: it was not compared."""
    verdicts = {part["name"]: part["verdict"] for part in report["parts"]}
    findings = report["findings"]
    said = {
        part["name"]: [(number + 1, findings[number]["because"]) for number in part["findings"]]
        for part in report["parts"]
    }
    title = report["panel"]["title"] or "Panel"
    good = report["result"] == "passed"
    verdict = "✓ passed: no fault found" if good else "✗ faulty: see below"
    out = [
        "<!doctype html>",
        '<html lang="en"><head><meta charset="utf-8">',
        '<meta name="viewport" content="width=device-width, initial-scale=1">',
        "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\">",
        f"<title>{_e(title)}: walk</title><style>{_STYLE}</style></head><body>",
        f"<h1>{_e(title)}</h1>",
        f'<p class="verdict {report["result"]}">{verdict}</p>',
        f'<p class="about">Walked {_e(report.get("began", ""))}, {_e(count_words(report))}.</p>',
        face(panel, verdicts, said),
        _key(report["counts"]),
    ]
    if report["findings"]:
        out.append("<h2>What is wrong, and where to look first</h2>")
        labels = {part["name"]: part["label"] or part["name"] for part in report["parts"]}
        shown, more = foremost(findings)
        out += [_finding(number + 1, findings[number], labels) for number in shown]
        if more:
            rest = "".join(_finding(n, each, labels) for n, each in enumerate(findings, 1) if n - 1 not in shown)
            out.append(f"<details><summary>{_e(more)}.</summary>{rest}</details>")
        out += [_meanings(findings), f'<p class="about">{_e(CAUTION)}</p>']
    if report.get("remarks"):
        out.append("<h2>What the panel file should say</h2>")
        out += [_remark(remark) for remark in report["remarks"]]
    if changed is not None:
        out.append(f"<h2>Since {_e(report.get('compared', 'the walk before'))}</h2>")
        lines = "".join(f"<li>{_e(line)}</li>" for line in changed)
        out.append(f"<ul>{lines}</ul>" if changed else "<p>Nothing has changed.</p>")
    out.append("<h2>Every part</h2>")
    out.append(_parts(report))
    if report.get("supplies"):
        out.append("<h2>What feeds what</h2>")
        out.append(_supplies(report["supplies"]))
    out.append("<h2>Boards and files</h2>")
    out.append(_boards(report))
    out.append("</body></html>\n")
    return "\n".join(out)


def _e(value: Any) -> str:
    return escape(str(value), quote=True)


def _key(counts: Mapping[str, Any]) -> str:
    """What the marks on the face mean, of those that stand there."""
    out = []
    for verdict, (sign, meaning) in MARKS.items():
        if counts.get(verdict):
            out.append(f'<b class="{verdict.replace(" ", "-")}">{sign}</b> {_e(meaning)}')
    number = " · (1) number of the finding below" if counts.get("faulty") or counts.get("possibly faulty") else ""
    return f'<p class="key">{" · ".join(out)}{number}</p>'


def _meanings(findings: Sequence[Mapping[str, Any]]) -> str:
    """What the kinds of these findings mean, each once; empty if none is of the table."""
    there = dict.fromkeys(kind for each in findings for kind in each["kinds"] if kind in kinds())
    rows = "".join(f"<dt>{_e(kind)}</dt><dd>{_e(kinds()[kind].means)}</dd>" for kind in there)
    return f"<details><summary>What these words mean</summary><dl>{rows}</dl></details>" if rows else ""


def _finding(number: int, finding: Mapping[str, Any], labels: Mapping[str, str]) -> str:
    either = finding.get("either")
    names = finding["parts"] or finding["channels"]  # of a whole board or supply
    sure = f" — explanation {either['choice']} of {either['choices']} that fit equally well" if either else ""
    out = [
        f'<section class="finding{" possibly-faulty" if either else ""}">',
        f"<h3>{number} · {_e(' or '.join(finding['kinds']))}: {_e(_called(names, labels))}{_e(sure)}</h3>",
        f"<p>{_e(finding['because'])}. <code>{_e(', '.join(finding['channels']))}</code></p>",
    ]
    if finding["look_first"]:
        out.append(f"<p><b>Look first at</b> {_e(finding['look_first'].rstrip('.?'))}.</p>")
    if finding["decide"]:
        out.append(f"<p><b>To decide:</b> {_e(finding['decide'])}.</p>")
    if finding["patch"]:
        out.append(f"<p><b>Or change the panel file:</b></p><pre>{_e(finding['patch'])}</pre>")
    out.append("</section>")
    return "".join(out)


def _remark(remark: Mapping[str, Any]) -> str:
    lines = f"<pre>{_e(remark['patch'])}</pre>" if remark["patch"] else ""
    return f'<section class="finding possibly-faulty"><p>{_e(remark["because"])}.</p>{lines}</section>'


def _called(names: Sequence[str], labels: Mapping[str, str]) -> str:
    """Parts by their labels, each once."""
    return ", ".join(dict.fromkeys(labels.get(name, name) for name in names))


def _parts(report: Mapping[str, Any]) -> str:
    rows = []
    for part in report["parts"]:
        sign, found = MARKS[part["verdict"]]
        figures = words(part["figures"])
        took = f"{part['took_us'] / 1e6:.1f} s" if part["took_us"] else ""
        rows.append(
            f"<tr><td>{_e(part['label'] or part['name'])}</td><td>{_e(part['kind'])}</td>"
            f"<td><code>{_e(', '.join(part['channels']))}</code></td>"
            f'<td class="{_e(part["verdict"].replace(" ", "-"))} num">{sign} {_e(found)}</td>'
            f'<td class="num">{_e(took)}</td><td>{_e(figures)}</td><td>{_e(part["note"])}</td></tr>'
        )
    head = "".join(f"<th>{word}</th>" for word in ("Part", "Kind", "Channels", "Found", "Time", "Figures", "Notes"))
    return f'<div class="wide"><table><thead><tr>{head}</tr></thead><tbody>{"".join(rows)}</tbody></table></div>'


def _supplies(supplies: Sequence[Mapping[str, Any]]) -> str:
    rows = []
    for supply in supplies:
        sign, found = MARKS[supply["verdict"]]
        looks = [
            f"{look['with'] or 'switched off'}: {look['lit']} of {look['of']} lit" for look in supply.get("looks", ())
        ]
        rows.append(
            f'<tr><td>{_e(supply["label"])}</td><td class="{_e(supply["verdict"].replace(" ", "-"))} num">{sign} '
            f"{_e(found)}</td><td>{'<br>'.join(map(_e, looks))}</td></tr>"
        )
    head = "".join(f"<th>{word}</th>" for word in ("Supply", "Found", "Seen of what it feeds"))
    return f'<div class="wide"><table><thead><tr>{head}</tr></thead><tbody>{"".join(rows)}</tbody></table></div>'


def _boards(report: Mapping[str, Any]) -> str:
    rows = "".join(
        f"<tr><td>{_e(board.get('name', ''))}</td><td>{_e(board.get('ident', ''))}</td>"
        f"<td>{_e(board.get('firmware', ''))}</td><td>{_e(board.get('chip', ''))}</td>"
        f"<td>{_e(board.get('port', ''))}</td></tr>"
        for board in report.get("boards", ())
    )
    head = "".join(f"<th>{word}</th>" for word in ("Board", "Ident", "Firmware", "Chip", "Port"))
    panel = report["panel"]
    return (
        f'<div class="wide"><table><thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table></div>'
        f"<p>Panel file {_e(panel['path'] or '(none)')}, SHA-256 <code>{_e(panel['digest'] or 'none')}</code></p>"
    )
