"""How a cell settles: its settled output and its response time."""
