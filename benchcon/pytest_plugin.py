"""The pytest plugin: collects captures. It must import neither Textual nor pint."""
