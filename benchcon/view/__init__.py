"""What a screen shows, and what its keys do to parts and captures, without a screen: nothing here knows Textual."""
