"""Runs a test: joins the instruments of `drivers` with the arithmetic of `grading`."""
