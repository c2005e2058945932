"""Floats and arrays only: two-body motion, the N-body integrator, the sphere, robust statistics."""
