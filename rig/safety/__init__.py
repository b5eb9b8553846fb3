"""Rules that keep a run safe, as pure functions and tables; they import neither instruments nor screens."""
