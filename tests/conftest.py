"""Marks tests/ as the place that tests import their shared helpers from."""
