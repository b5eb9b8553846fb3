"""What a run is set up from: bench, procedure and cells files, checked; the plan; the checks before gas."""
