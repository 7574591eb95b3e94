"""The walk, a guided test of every input and output: its plan, its steps, what it asks, and who answers."""
