"""One test from start to end: preflight, session, header, notices, outcome."""
