"""Reads an axis's natural frequency and damping ratio off a photo of a calibration tower."""
