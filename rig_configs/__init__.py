"""Bench, procedure and limits files that a person edits."""
