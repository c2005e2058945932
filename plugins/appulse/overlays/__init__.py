"""Tracks and outlines in the pixels of a frame, and the scene that painters paint: geometry, no drawing."""
