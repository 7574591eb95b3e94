"""What a screen shows, and what its keys do to parts and captures. Nothing here imports Textual."""
