"""The demo: the Ostrey tower trainer, a made-up airfield control tower of three desks.

The desks are simulated boards, each in a process of its own (`desks`); a scripted hand works them until somebody takes
over (`script`); their power desk feeds the other two (`power`); and what a simulator would send to them is stood in for
by a little made-up weather (`weather`).
"""

from benchcon.demo.desks import Demo, panel_path, start

__all__ = ["Demo", "panel_path", "start"]
