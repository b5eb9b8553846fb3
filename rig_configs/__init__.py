"""Bench, procedure and limits files for a person to edit."""
