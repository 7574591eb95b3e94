"""The wiring file of the same board for the emulator, `protocols/firmware/emulator` (its form: head of wiring.c)."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from benchcon.firmware.board_plan import Plan
from benchcon.panel.pins import Pin


def _end(letter: str, pin: Pin, port: Callable[[str], str]) -> str:
    return f"{letter}={port(pin.name)}" if pin.kind == "direct" else f"{letter}chain={pin.bit}"


def emulator_wiring(plan: Plan) -> str:
    """Return the wiring file of `plan`, with one part or chain per line."""

    def port(name: str) -> str:
        letter, bit = plan.chip.port_of(name)
        return f"{letter}{bit}"

    def ports(names: Iterable[str]) -> str:
        return ",".join(map(port, names))

    def where(pin: Pin) -> str:
        if pin.kind == "direct":
            return f"pin={port(pin.name)}"
        return f"row={pin.row} column={pin.column}" if pin.kind == "matrix" else f"chain={pin.bit}"

    lines = [f"# {plan.board.name} on an {plan.chip.name}", f"board {plan.board.own_ident}"]
    for chain in (plan.chain_165, plan.chain_595, plan.chain_7219):
        if chain:
            pins = f"data={port(chain.data)} clock={port(chain.clock)} load={port(chain.load)}"
            oe = f" enable={port(chain.oe)}" if chain.oe else ""
            lines.append(f"chain{chain.kind} {pins} chips={chain.chips}{oe}")
    if plan.matrix:
        rows, columns = ports(plan.matrix.rows), ports(plan.matrix.columns)
        lines.append(f"matrix rows={rows} columns={columns} diodes={int(plan.matrix.diodes)}")
    for contact in plan.contacts:
        lines.append(f"contact {contact.channel.id} {where(contact.pin)}" + " high=1" * (not contact.low))
    for encoder in plan.encoders:
        id_, (a, b) = encoder.channel.id, encoder.pins
        ends = f"{_end('a', a, port)} {_end('b', b, port)}"
        lines.append(f"encoder {id_} {ends} detent={encoder.control.detent_counts}")
    lines += [f"pot {pot.channel.id} adc={pot.adc}" for pot in plan.pots]
    for output in plan.lamps:
        lines.append(f"lamp {output.lamp.channel.id} {where(output.pin)}" + " low=1" * output.low)
    for each in plan.displays:
        lines.append(f"display {each.display.channel.id} first={each.first} digits={each.display.digits} step=1")
    return "\n".join([*lines, ""])
