"""Solved frames: what a file's header and pixels say, with where each piece of it comes from."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "camera": ["Camera", "Valued"],
        "exposure": ["Exposure"],
        "masters": ["MasterFiles", "Masters"],
        "frame": ["SolvedFrame", "describe"],
        "pixels": ["open_fits"],
        "reading": ["read_frame"],
        "wcs": ["SkyMap", "WcsMap", "pixel_to_sky", "sky_to_pixel"],
    },
)
