"""``benchcon record``: records what boards send into a capture."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from benchcon.cli.options import seconds
from benchcon.cli.port_name import port_name
from benchcon.gate import say_on_stderr

if TYPE_CHECKING:
    from pathlib import Path

    from benchcon.capture.writer import Figures
    from benchcon.cli.attendance import Attendance
    from benchcon.cli.until import Until
    from benchcon.link import Bench
    from benchcon.recording.recorder import Recorder, Rotation


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.add_argument("ports", nargs="+", type=port_name, metavar="PORT", help="device path or socket://host:port")
    parser.add_argument("-o", "--output", required=True, metavar="FILE", help="capture to write")
    parser.add_argument(
        "--force", action="store_true", help="if FILE exists, rename it with a number and record all the same"
    )
    parser.add_argument(
        "--seconds", type=seconds, metavar="N", help="end after this many seconds; without it, Ctrl-C ends it"
    )
    parser.add_argument(
        "--panel", metavar="FILE", help="panel file: it is stored in the capture, and its triggers are watched"
    )
    parser.add_argument(
        "--on-trigger",
        action="store_true",
        help="write nothing until a trigger of the panel file fires; then the ten minutes before it and what follows",
    )
    parser.add_argument("--rotate-size", metavar="SIZE", help="begin a new file at this size, such as '100 MB'")
    parser.add_argument("--rotate-time", metavar="TIME", help="begin a new file after this time, such as '60 min'")
    parser.add_argument(
        "--keep", metavar="SIZE", help="remove the oldest closed files when all files together exceed this size"
    )
    parser.add_argument("--pack", action="store_true", help="compress closed files (gzip; all commands read them)")


def run(args: argparse.Namespace) -> int:
    """Record until Ctrl-C or the end of the time. Return 0 if done, 1 if records or a file are missing, 2 if it failed.

    The code is also 2 if no board ever answered on any port; the file stays, but holds nothing from a board. It is
    1 if a board answered that never identified itself.
    """
    from pathlib import Path

    from benchcon.capture.parts import GIVE_NUMBER
    from benchcon.cli.attendance import Attendance
    from benchcon.cli.loss import Loss
    from benchcon.cli.until import Until
    from benchcon.errors import Trouble
    from benchcon.files import may_write
    from benchcon.link import Bench
    from benchcon.panel.file import load
    from benchcon.panel.model import Panel
    from benchcon.recording.recorder import Recorder
    from benchcon.watch import triggers_of

    panel = load(args.panel) if args.panel else Panel()
    triggers = triggers_of(panel)
    if args.on_trigger and not any(trigger.save for trigger in triggers):
        raise Trouble("--on-trigger needs --panel with a file whose triggers save; see protocols/panel-file.md")
    rotation = _rotation(args)
    path = Path(args.output)
    may_write(path, force=args.force or args.on_trigger, way_out=GIVE_NUMBER)
    with Until(args.seconds, open_ended=True) as until:
        bench = Bench(args.ports, panel=panel, listen_only=True)
        recorder = Recorder(
            bench, path, panel, triggers, force=args.force, on_trigger=args.on_trigger, rotation=rotation
        )
        there = Attendance(args.ports, panel, args.panel or "")
        loss = Loss()
        begun = False
        bench.start()
        try:
            _wait_for_ports(bench, until)
            recorder.begin()
            begun = True
            _say(_aside(recorder.figures()))
            while not until.wait(0.2):
                recorder.tick()
                _say_fired(recorder)
                _say(there.look(bench.ports(), recorder.heard()))
                _say(loss.look(recorder.figures(), recorder.trouble))
        finally:
            if begun:
                _say(there.look(bench.ports(), recorder.heard()))
            bench.close(dark=False)
            _say_fired(recorder)
            code = _end(recorder)
    return max(code, _attended(there, path))


def _rotation(args: argparse.Namespace) -> Rotation:
    """Return when to go on in a new file, by the options. Raises `Trouble` if they do not make sense."""
    from benchcon.errors import Trouble
    from benchcon.recording.recorder import Rotation

    if args.keep and not (args.rotate_size or args.rotate_time):
        raise Trouble("--keep removes closed files, so it needs --rotate-size or --rotate-time")
    return Rotation(
        int(_quantity(args, "rotate_size", "B", "100 MB")),
        _quantity(args, "rotate_time", "ms", "60 min") / 1000,
        int(_quantity(args, "keep", "B", "2 GB")),
        args.pack,
    )


def _attended(there: Attendance, path: Path) -> int:
    """Say which boards were not there, and return the exit code for that."""
    from benchcon.text import printable

    _say(there.missed())
    _say([f"{port}: the board there never said who it is" for port in there.mute if port in there.answered])
    if not there.answered:
        _say([f"nobody answered: no board is in {printable(str(path))}" if path.is_file() else "nobody answered"])
        return 2
    # A board that never identified itself was recorded without its description: not what was asked for.
    return 1 if there.mute else 0


def _say(lines: list[str]) -> None:
    for line in lines:
        say_on_stderr(line)


def _say_fired(recorder: Recorder) -> None:
    from benchcon.text import printable

    _say([f"trigger: {printable(text)}" for text in recorder.take_fired()])


def _wait_for_ports(bench: Bench, until: Until) -> None:
    """Wait until every port is open; raises `Trouble` if one is refused."""
    from benchcon.errors import Trouble

    while not bench.wait(lambda ports: bool(ports) and all(port.stage != "opening" for port in ports), 0.1):
        if until.wait(0):
            return
    for port in bench.ports():
        if port.stage == "waiting":
            raise Trouble(port.text)


def _aside(figures: Figures | None) -> list[str]:
    from benchcon.text import printable

    if figures is None or not figures.aside:
        return []
    return [f"{printable(figures.path)} existed already and is now {printable(figures.aside)}"]


def _end(recorder: Recorder) -> int:
    """Close the recording, report what is on the disk, as the recorder has checked it, and return the exit code."""
    from benchcon.text import printable

    figures = recorder.end()
    each = recorder.closed or ([figures] if figures is not None else [])
    code = 0
    for one in each:
        why = f" ({one.missing})" if one.missing else ""
        incomplete = bool(one.lost or one.missing)
        if one.trouble:
            _say([one.trouble])
        if recorder.kept:
            _say([] if one.missing and not one.records else [f"kept {printable(one.path)}"])
        elif one.records or not incomplete:
            _say([_recorded_text(one)])
        if incomplete:
            _say([f"{one.lost} records are MISSING in {printable(one.path)}{why}"])
        if one.absent:
            _say([f"{one.absent} of the files that were closed before {printable(one.path)} are no longer there"])
        if incomplete or one.absent:
            code = 1
    if recorder.trouble:
        _say([recorder.trouble])
        code = code or (1 if each else 2)
    return code


def _recorded_text(figures: Figures) -> str:
    """Return one line that says how many records are in which files."""
    from benchcon.text import counted, printable

    text = f"{counted(figures.records, 'record')} in {printable(figures.path)}"
    if figures.parts:
        text += f" and {counted(figures.parts, 'file')} closed before it"
    if figures.pruned:
        text += f"; {counted(figures.pruned, 'old file')} removed to keep to --keep"
    return text


def _quantity(args: argparse.Namespace, name: str, unit: str, example: str) -> float:
    from benchcon.errors import Trouble
    from benchcon.replay.words import option_quantity
    from benchcon.text import printable

    text = getattr(args, name)
    if text is None:
        return 0
    option = "--" + name.replace("_", "-")
    found = option_quantity(option, text, unit, example=example)
    if found <= 0:
        raise Trouble(f"{option}: '{printable(text)}' must be above 0")
    return found
