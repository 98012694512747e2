"""Widgets, lessons, and the runner of the notebooks."""
