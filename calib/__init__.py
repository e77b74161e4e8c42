"""Lengths and scale: pure arithmetic that never sees an image."""
