"""The report of a walk: its text, its HTML page, its JUnit file, and the folder that holds them."""
