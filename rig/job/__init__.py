"""One pot of cells, from bench file to papers."""
