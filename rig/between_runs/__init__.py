"""What one run leaves for the next: the lock, the memory, the last run and its clearing, rest."""
