"""benchcon: a bench-test console for simulator panels."""

__version__ = "0.1.0"
