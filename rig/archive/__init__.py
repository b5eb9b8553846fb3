"""What is made of a record: grades, papers, proof of an archive."""
