"""The phases of a run: start, purge, step, hold, leak test, ending; and what they show."""
