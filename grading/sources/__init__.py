"""Everything that brings measurements in, reduced to settled outputs and response times."""
