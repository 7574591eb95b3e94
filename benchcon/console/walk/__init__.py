"""The screens of the walk, the soak and the wiggle test."""
