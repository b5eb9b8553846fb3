"""The `leadline` command."""
