"""The response of a cell to PO2: indication errors, the fitted curve, where it leaves the line."""
