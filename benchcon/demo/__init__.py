"""The demo: the Ostrey tower trainer, a made-up airfield control tower of three desks.

The desks are simulated boards, each in a process of its own (`desks`).
What a simulator would do with them is a rehearsal (`live`): a scenario with its rules, whose hand works the desks until
somebody takes over.
"""

from benchcon.demo.desks import Demo, panel_path, start

__all__ = ["Demo", "panel_path", "start"]
