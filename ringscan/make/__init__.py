"""What exists before the photo: the scan sheet."""
