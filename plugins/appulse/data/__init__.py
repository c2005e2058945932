"""Kernels, starter orbits and corrections with provenance and checksums; the scripts that made them."""
