"""How much faster than real time a scenario goes on simulated boards: one hour, 20 values a second, 64 rules.

    python tests/bench/rehearse_pace.py [MINUTES]

The panel has 48 lamps and 16 displays on one board. Twenty values a second come one after the other, each of another
quantity, as from a simulator that sends each of its 20 quantities once a second; each drives two to four outputs. They
move as levels do, by 2500 ft a minute at most, and displays show them to the nearest 100 ft. The baseline in the same
run is the same scenario without any rule: boards, link and capture alone. Played twice; the captures must be equal,
byte for byte.
Times are of the processor, so that other programs on the machine do not count.
"""

from __future__ import annotations

import math
import sys
import tempfile
import time
from pathlib import Path

from benchcon.rehearse import rules_file, scenario
from benchcon.rehearse.recorded import RehearsalCapture
from benchcon.rehearse.virtual import VirtualRun

VALUES, LAMPS, DISPLAYS, BOARDS = 20, 48, 16, 1


def write(folder: Path, seconds: int, rules: bool) -> Path:
    panel = ["[panel]", 'title = "Sixty-four outputs"']
    panel += [f'[boards.b{n}]\nlabel = "Board {n}"\nbudget = "400 mA"' for n in range(BOARDS)]
    panel += [
        f'[lamps.lamp{n}]\nlabel = "Lamp {n}"\ncolour = "green"\ncurrent = "2 mA"\n'
        f'channel = {{ id = "b{n % BOARDS}.l{n}" }}'
        for n in range(LAMPS)
    ]
    panel += [
        f'[displays.show{n}]\nlabel = "Show {n}"\ndigits = 5\nsegment_current = "0.5 mA"\n'
        f'channel = {{ id = "b{n % BOARDS}.d{n}" }}'
        for n in range(DISPLAYS)
    ]
    (folder / "panel.toml").write_text("\n".join(panel) + "\n")
    values = [f'[values.v{n}]\nunit = "ft"\nrange = ["0 ft", "50000 ft"]\nstart = "0 ft"' for n in range(VALUES)]
    (folder / "behaviour.toml").write_text("\n".join(values) + "\n")
    code = ["from benchcon.rehearse import *"]
    if rules:
        for n in range(LAMPS):
            name = f"v{n % VALUES}"
            code.append(f'@lamp("lamp{n}")\ndef lamp{n}({name}, memory):')
            code.append(f'    return hysteresis(memory, "k", {name}, on={20000 + 100 * n}, off={19000 + 100 * n})')
        for n in range(DISPLAYS):
            name = f"v{n % VALUES}"
            code.append(f'@display("show{n}", format=",")\ndef show{n}({name}):\n    return nearest({name}, 100)')
    (folder / "rules.py").write_text("\n".join(code) + "\n")
    header = "time [s]," + ",".join(f"v{n} [ft]" for n in range(VALUES))
    rows = []
    for tick in range(seconds * VALUES):
        cells = [""] * VALUES
        n = tick % VALUES
        cells[n] = f"{20000 + 15000 * math.sin(tick / VALUES / (360 + 42 * n)):.0f}"
        rows.append(f"{tick / VALUES:.2f}," + ",".join(cells))
    (folder / "values.csv").write_text(header + "\n" + "\n".join(rows) + "\n")
    path = folder / "hour.toml"
    path.write_text(
        f'[scenario]\nbehaviour = "behaviour.toml"\npanel = "panel.toml"\nrules = "rules.py"\nvalues = "values.csv"\n'
        f'lasts = "{seconds} s"\n'
    )
    return path


def play(folder: Path, seconds: int, rules: bool) -> tuple[float, bytes]:
    read = scenario.load(write(folder, seconds, rules))
    loaded = rules_file.load(read.rules, read.panel, read.behaviour)
    began = time.process_time()
    run = VirtualRun(read, loaded)
    capture = RehearsalCapture(folder, run.state.keyframe, "hour")
    run.listener = capture.write
    run.run()
    took = time.process_time() - began
    path = capture.keep("hour")
    capture.close()
    return took, path.read_bytes()


def main() -> None:
    minutes = float(sys.argv[1]) if len(sys.argv) > 1 else 60.0
    seconds = round(minutes * 60)
    with tempfile.TemporaryDirectory() as name:
        bare, _ = play(Path(name), seconds, rules=False)
        first, one = play(Path(name), seconds, rules=True)
        second, two = play(Path(name), seconds, rules=True)
    lines = one.count(b"\n")
    print(f"{minutes:g} min, {VALUES} values a second, {LAMPS + DISPLAYS} rules, {lines} lines of capture")
    print(f"without rules  {bare:6.2f} s  {seconds / bare:7.0f} times faster than real time")
    for took in (first, second):
        print(f"with rules     {took:6.2f} s  {seconds / took:7.0f} times real time, {took / bare:.2f} of bare")
    print(f"the same capture twice: {'yes' if one == two else 'NO'}")


if __name__ == "__main__":
    main()
