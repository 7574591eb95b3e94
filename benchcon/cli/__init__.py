"""Thin entrances, one file a command. See `benchcon.cli.main` for how a command is found."""
