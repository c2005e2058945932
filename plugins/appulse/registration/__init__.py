"""Frames of one field brought onto each other: stars matched, pixels mapped and resampled."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "alignment": ["Alignment", "StarList", "align", "tie_to_sky"],
        "detector": [
            "Bad", "Marked", "Mended", "TrailLine", "bad_pixels", "filled", "mosaic_colours",
            "satellite_trails", "sharper", "trail_reach",
        ],
        "resampling": [
            "COARSER", "KEEPS", "MESH", "PixelMap", "Resampler", "Spline", "nearest_pixel", "resample",
        ],
        "star_matching": ["FAR_ARCSEC", "Match", "match_frame"],
        "threads": ["READING", "in_order"],
    },
)
