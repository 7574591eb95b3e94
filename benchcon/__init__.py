"""benchcon: a bench-test console for simulator panels."""

__version__ = "0.1.0"

PROGRAM = f"benchcon {__version__}"
"""How the program names itself: in captures, in reports, and to ``--version``."""
