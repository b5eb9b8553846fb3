"""What passes from one run to the next: the lock, the memory, the last run and its clearing, rest."""
