"""What is on a panel: the model, the panel file, positions and values, digits and segments, lightness, electrics."""
