"""The safety documents, and what prints their tables out of the code."""
