"""Instruments that speak Modbus, one a file, and their link."""
