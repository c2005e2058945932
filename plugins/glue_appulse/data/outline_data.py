"""Outlines of the catalogue as a glue region data set."""

import numpy as np
import shapely

from glue_appulse.data.kinds import KIND_KEY, OUTLINES
from glue_appulse.data.solved_frames import frame_of
from glue_appulse.layers.outline_model import (
    BOUNDARY,
    CIRCLE,
    ELLIPSE,
    MAGNITUDE,
    NAME,
    POINT,
    POLYGON,
    SHAPE,
    SIZE,
    TYPE,
    contains,
)

#: Objects beyond the frames' corners by so much are taken along: half of the largest nebulae.
MARGIN_DEG = 0.5


def unwrapped(ring: np.ndarray) -> np.ndarray:
    """A ring whose right ascensions run on across 0h."""
    ring = np.array(ring, float)
    # Across 0h a polygon would run around the whole sky; glue takes longitudes beyond 360.
    ring[:, 0] = np.degrees(np.unwrap(np.radians(ring[:, 0])))
    # Unwrapping leaves 360.1 as 360.09999999999997, which is no longer the place of the catalogue.
    return np.round(ring, 12)


def geometry_of(outline):
    """Shape of an outline in ICRF degrees."""
    rings = [unwrapped(ring) for ring in outline.rings if len(ring) >= 4]
    if not rings or outline.kind == "point":
        return shapely.Point(outline.ra, outline.dec)
    return nested(rings)


def nested(rings: list[np.ndarray]):
    """Polygons of rings, a ring within another being a hole, one within the hole an island, and so on."""
    # Largest first: what lies around a ring comes before it. An odd number around it makes it a hole:
    #
    #     +-----------+
    #     | +-------+ |   outer ring: shell; 1 around: hole of it;
    #     | | +---+ | |   2 around: an island, a shell again
    #     | | +---+ | |
    #     | +-------+ |
    #     +-----------+
    parts = sorted((shapely.Polygon(ring) for ring in rings), key=lambda part: -part.area)
    shells, holes = [], {}
    for i, part in enumerate(parts):
        around = [j for j in range(i) if shapely.contains_xy(parts[j], *part.exterior.coords[0])]
        # the smallest ring around it is the one that it is cut out of
        if len(around) % 2:
            holes[around[-1]] = [*holes.get(around[-1], []), part.exterior.coords]
        else:
            shells.append(i)
    made = [shapely.Polygon(parts[i].exterior.coords, holes.get(i)) for i in shells]
    return made[0] if len(made) == 1 else shapely.MultiPolygon(made)


def _shape_word(outline):
    if outline.kind == "circle":
        return CIRCLE if outline.note else ELLIPSE
    return {"ellipse": ELLIPSE, "polygon": POLYGON}.get(outline.kind, POINT)


def _number(value):
    return np.nan if value is None else float(value)


def outlines_data(outlines, *, label="outlines", color="#5ad1c8"):
    """A region data set of outlines."""
    from glue.core import Component
    from glue.core.data_region import RegionData

    if not outlines:
        raise ValueError("no catalogue object lies in these frames; widen the limits or open another frame")
    data = RegionData(label=label, **{BOUNDARY: np.array([geometry_of(o) for o in outlines], dtype=object)})
    words = {
        NAME: [o.name for o in outlines],
        TYPE: [str(o.object_type) for o in outlines],
        SHAPE: [_shape_word(o) for o in outlines],
        "other names": [", ".join(o.other_names or ()) for o in outlines],
        "note": [o.note or "" for o in outlines],
        "source": [str(o.source) for o in outlines],
    }
    for name, values in words.items():
        data.add_component(np.array(values, dtype=str), name)
    numbers = (
        ("RA", "ra", "deg"),
        ("Dec", "dec", "deg"),
        (SIZE, "major_arcmin", "arcmin"),
        ("minor axis", "minor_arcmin", "arcmin"),
        ("position angle", "pa_deg", "deg"),
        (MAGNITUDE, "mag", "mag"),
        ("surface brightness", "surface_brightness", "mag/arcsec2"),
    )
    for name, attribute, unit in numbers:
        values = np.array([_number(getattr(o, attribute)) for o in outlines])
        data.add_component(Component(values, units=unit), name)
    data.meta[KIND_KEY] = OUTLINES
    data.style.color, data.style.alpha = color, 1.0
    return data


def objects_of(frames: list, **limits) -> list:
    """Catalogue objects in or near any of the frames, each once."""
    from appulse.catalogues import objects_near

    found = {}
    for data in frames:
        frame = frame_of(data)
        for outline in objects_near(*frame.centre, frame.radius_deg + MARGIN_DEG, **limits):
            if outline.name not in found and _touches(frame, outline):
                found[outline.name] = outline
    return sorted(found.values(), key=lambda o: -_number(o.major_arcmin or 0.0))


def _touches(frame, outline):
    """Whether an outline has a vertex or its centre in a frame, or the frame in it."""
    if frame.contains(outline.ra, outline.dec):
        return True
    if any(np.any(frame.contains(*np.asarray(ring, float).T)) for ring in outline.rings):
        return True
    return contains(geometry_of(outline), *frame.centre)


def object_at(outlines, ra: float, dec: float) -> int | None:
    """Row of the smallest outline around a point, or of the nearest point-like object within 2 arcmin."""
    shapes = outlines[outlines.extended_component_id]
    sizes = np.nan_to_num(np.asarray(outlines["major axis"], float))
    # Nebulae lie in one another: the smallest around the point is the one that is meant.
    around = [i for i, shape in enumerate(shapes) if contains(shape, ra, dec)]
    if around:
        return min(around, key=lambda i: sizes[i])
    # Across 0h the difference of right ascensions is folded into -180..180 degrees.
    east = (np.asarray(outlines["RA"], float) - ra + 180) % 360 - 180
    apart = np.hypot(east * np.cos(np.radians(dec)), np.asarray(outlines["Dec"], float) - dec)
    nearest = int(np.argmin(apart))
    return nearest if apart[nearest] < 2 / 60 and shapes[nearest].geom_type == "Point" else None
