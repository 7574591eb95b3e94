"""What can be made of a capture: final state and figures, tracks, comparison, exports, replay on boards, tests."""
