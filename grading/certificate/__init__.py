"""Certificates on paper."""
