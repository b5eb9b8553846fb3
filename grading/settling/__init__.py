"""How a cell settles: what its output comes to, and how fast it gets there."""
