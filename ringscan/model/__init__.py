"""Shapers, corner motion, vibration and the fit: arrays in, numbers out. Knows no pictures."""
