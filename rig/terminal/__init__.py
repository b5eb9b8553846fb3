"""What the operator sees during a run."""
