"""The walk: a plan made from the panel, evidence in, prompts and verdicts out, and the diagnosis. See DEVELOPERS.md."""
