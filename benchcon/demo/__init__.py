"""The demo: the Ostrey tower trainer, a made-up airfield control tower of three desks.

The desks are simulated boards, each in a process of its own (`desks`). In place of a simulator a rehearsal drives them
(`live`): a scenario with its rules, whose simulated hand works the desks until somebody takes over.
"""

from benchcon.demo.desks import Demo, panel_path, start

__all__ = ["Demo", "panel_path", "start"]
