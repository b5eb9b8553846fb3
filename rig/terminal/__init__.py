"""What the operator sees while a run goes on."""
