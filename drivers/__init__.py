"""Instruments: one small file each, knowing the wire and nothing of cells."""
