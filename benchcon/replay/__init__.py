"""What is made of a capture: its final state and figures, what changed when, comparison, exports, running it again."""
