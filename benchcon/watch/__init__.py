"""Triggers: what the bench watches for by itself, as the panel file declares under ``[[triggers]]``. Pure."""

from benchcon.watch.triggers import Trigger, inspect_triggers, triggers_of
from benchcon.watch.watch import Fired, Watch

__all__ = ["Fired", "Trigger", "Watch", "inspect_triggers", "triggers_of"]
