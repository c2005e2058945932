"""Bodies and stars measured on frames: fits, the plate check, O-C, error budget, verdict, improved orbits."""
