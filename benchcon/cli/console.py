"""``benchcon console``: the console on boards that are plugged in."""

from __future__ import annotations

import argparse

from benchcon.cli.port_name import port_name


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.add_argument(
        "ports",
        nargs="*",
        type=port_name,
        metavar="PORT",
        help="device path or socket://host:port; without one, the ports agreed to before",
    )
    parser.add_argument("--panel", metavar="FILE", help="panel file: names, places, colours, budgets")


def run(args: argparse.Namespace) -> int:
    """Open the bench and show it."""
    from benchcon.cli.until import Until

    with Until() as until:  # from here on Ctrl-C ends it in its own way, at whatever moment it comes
        from benchcon.console.run import open_and_run

        return open_and_run(args.ports, args.panel, until)
