"""Scans and poses into one cloud in the map frame."""
