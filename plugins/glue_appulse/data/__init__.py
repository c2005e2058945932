"""Frames, tracks, outlines, residuals and passes as glue data sets, and the links between them."""
