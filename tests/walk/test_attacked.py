"""Panels that were tried on the walk without sight of the diagnosis, and on which it was wrong once."""

from __future__ import annotations

from walk.in_virtual_time import VirtualWalk

from benchcon.diagnosis.diagnose import diagnose
from benchcon.diagnosis.findings import Finding
from benchcon.panel.file import loads
from benchcon.rig import faults_file


def walked(panel_text: str, faults_text: str) -> list[Finding]:
    panel = loads(panel_text)
    faults = faults_file.loads(faults_text, "faults.toml", panel)
    walk = VirtualWalk(panel, {board.name: faults.of(board.name) for board in panel.boards}).run()
    return diagnose(panel, walk.evidence)


def contact(name: str, pin: str, plug: str = "", kind: str = "button") -> str:
    where = f', connector = "{plug.split()[0]}", connector_pin = "{plug.split()[1]}"' if plug else ""
    return f'[controls.{name}]\nkind = "{kind}"\nchannel = {{ id = "{name}", pin = "{pin}"{where} }}\n'


def coded(name: str, pins: list[str]) -> str:
    channels = ", ".join(f'{{ id = "{name}{n}", pin = "{pin}" }}' for n, pin in enumerate(pins))
    words = '["a", "b", "c", "d"]'
    return f'[controls.{name}]\nkind = "switch"\nchannels = [{channels}]\npositions = {words}\ncode = "binary"\n'


def test_what_a_coded_switch_passes_on_an_inverted_board_is_not_where_it_was_put() -> None:
    """Upside down, position b on the way from d to b reads as what was asked for, before the hand is there."""
    panel = "[boards.k]\n" + coded("x", ["D2", "D3"]) + coded("y", ["D4", "D5"]) + coded("z", ["D6", "D7"])
    panel += contact("p", "D8") + contact("q", "D9")
    found = walked(panel, '[[faults]]\nkind = "level_inverted"\nboard = "k"\n')
    assert [finding.kind for finding in found] == ["level inverted"], [finding.line() for finding in found]


def test_noise_of_a_potentiometer_at_its_end_is_heard_though_half_of_it_is_cut_off() -> None:
    """The demo's own fault: 12 counts to each side are 2.3 % of the travel, of which 12 counts are left at the end."""
    panel = '[boards.k]\n[controls.v]\nkind = "pot"\nchannel = { id = "v", pin = "A0" }\n'
    noisy = '[[faults]]\nkind = "noisy"\nchannel = "k.v"\nby = '
    assert [finding.kind for finding in walked(panel, noisy + "12")] == ["noisy"]
    assert not walked(panel, noisy + "2"), "the converter's own noise is no fault"
