"""Renders honest photographs of a printed calibration tower; no part of the installed package."""
