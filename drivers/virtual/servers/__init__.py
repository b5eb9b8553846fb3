"""The simulated instruments on the wire."""
