"""Pictures of cells, for paper, screen and `--plot`."""
