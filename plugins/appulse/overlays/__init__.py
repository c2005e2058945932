"""Tracks and outlines in the pixels of a frame, and the scene that every painter paints: geometry, no drawing."""
