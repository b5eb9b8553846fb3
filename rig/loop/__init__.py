"""Each tick of a run: read, judge, record, ask, stop."""
