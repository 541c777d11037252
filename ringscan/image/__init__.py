"""From the photo to layer bands: pixels in, wall profiles in mm out. Knows no vibration."""
