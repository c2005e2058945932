"""Readers of orbit files: one module per format; :func:`read_orbits` finds out which is needed."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={"orbit_files": ["file_kind", "read_orbits", "starter_orbits"]},
)
