"""Arithmetic on records: reference PO2, fits, uncertainty, grades and certificates."""
