"""Readers of orbit files: one module per format; :func:`read_orbits` finds out which is needed."""

from appulse.bodies.readers.sniff import read_orbits, sniff

__all__ = ["read_orbits", "sniff", "starter_orbits"]


def starter_orbits(*, own=True):
    """The orbits at hand without a file, see :func:`appulse.bodies.starter.starter_orbits`."""
    from appulse.bodies.starter import starter_orbits as load

    return load(own=own)
