"""The record of a run on disk: its format, and what writes and reads it."""
