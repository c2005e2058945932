"""Frames of one field brought onto each other: stars matched, pixels mapped and resampled."""
