"""Deep-sky objects with outlines, and reference stars."""
