"""Deep-sky objects with outlines, and reference stars."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "deepsky": [
            "Outline", "TYPES", "all_objects", "ellipse_ring", "find_object", "objects_near", "outline_of",
            "read_polygons",
        ],
        "stars": ["bundled_stars", "read_star_table"],
    },
)
