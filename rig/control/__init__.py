"""Drives a test: reading, interlocks, valves and ramps, purge, holds, and the ways a run ends."""
