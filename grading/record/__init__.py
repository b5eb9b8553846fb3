"""The record of a run on disk: its format, its writer and its reader."""
