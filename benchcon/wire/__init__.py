"""See DEVELOPERS.md for what lives in this room."""
