"""What follows a record: grades, papers, checks of an archive."""
