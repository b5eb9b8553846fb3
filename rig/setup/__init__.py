"""What a run is set up from: bench, procedure and cells files, checked; and the plan."""
