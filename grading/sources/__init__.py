"""The sources of measurements, reduced to settled outputs and response times."""
