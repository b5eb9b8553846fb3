"""Instruments that speak SCPI, one a file, and their link."""
