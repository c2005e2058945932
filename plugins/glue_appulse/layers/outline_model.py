"""Outlines as flat arrays, quick to project, cull and draw."""

from dataclasses import dataclass

import numpy as np
import shapely
from glue.core.subset import Subset

from appulse.overlays import outline_colour

NAME, TYPE, SIZE, MAGNITUDE, SHAPE = "name", "type", "major axis", "magnitude", "drawn as"
"""Columns of an outlines data set."""
BOUNDARY = "outline"
ELLIPSE, CIRCLE, POLYGON, POINT = "ellipse", "circle by guess", "polygon", "point"
"""Values of the column 'drawn as'."""


def rings_of(geometry):
    """Rings (n, 2) of a geometry in ICRF degrees; none for a point."""
    if geometry.geom_type == "Polygon":
        return [np.asarray(ring.coords) for ring in (geometry.exterior, *geometry.interiors)]
    return [ring for part in getattr(geometry, "geoms", ()) for ring in rings_of(part)]


@dataclass
class OutlineModel:
    """Objects of a layer, their vertices end to end.

    Attributes
    ----------
    names, types, shapes : ndarray of str, (m,)
    sizes, magnitudes : ndarray, (m,)
        arcmin; magnitude, NaN where unknown.
    centres : ndarray, (m, 2)
        A place inside each outline, ICRF degrees.
    vertices : ndarray, (n, 2)
        ICRF degrees.
    owner : ndarray of int, (n,)
        Object of each vertex.
    order : ndarray of int, (n,)
        Number of each vertex in its ring; 0 begins a ring.
    share : ndarray, (n,)
        How far each vertex stands around its ring, from 0 to 1.
    """

    names: np.ndarray
    types: np.ndarray
    shapes: np.ndarray
    sizes: np.ndarray
    magnitudes: np.ndarray
    centres: np.ndarray
    vertices: np.ndarray
    owner: np.ndarray
    order: np.ndarray
    share: np.ndarray

    @classmethod
    def from_layer(cls, layer):
        """Read an outlines data set or a subset of one.

        Raises IncompatibleAttribute where the subset says nothing about these outlines.
        """
        data = layer.data if isinstance(layer, Subset) else layer
        keep = np.asarray(layer.to_mask(), bool) if isinstance(layer, Subset) else np.ones(data.shape, bool)
        column = {name: np.asarray(data[name])[keep] for name in (NAME, TYPE, SHAPE, SIZE, MAGNITUDE)}
        shapes = np.asarray(data[data.extended_component_id])[keep]
        centres = [np.asarray(data[c], float)[keep] for c in (data.center_x_id, data.center_y_id)]
        rings = [(i, ring) for i, shape in enumerate(shapes) for ring in rings_of(shape)]
        return cls(
            names=column[NAME].astype(str),
            types=column[TYPE].astype(str),
            shapes=column[SHAPE].astype(str),
            sizes=column[SIZE].astype(float),
            magnitudes=column[MAGNITUDE].astype(float),
            centres=np.column_stack(centres),
            # an empty part first: nothing can be joined of nothing
            vertices=np.concatenate([np.empty((0, 2)), *(ring for _, ring in rings)]),
            owner=np.repeat([i for i, _ in rings], [len(ring) for _, ring in rings]).astype(int),
            order=np.concatenate([np.empty(0, int), *(np.arange(len(ring)) for _, ring in rings)]),
            share=np.concatenate([np.empty(0), *(np.linspace(0, 1, len(ring)) for _, ring in rings)]),
        )

    @classmethod
    def empty(cls):
        """A model of nothing."""
        words, none, places, whole = np.empty(0, str), np.empty(0), np.empty((0, 2)), np.empty(0, int)
        return cls(words, words, words, none, none, places, places, whole, whole, none)

    def colours(self, look):
        """Colour of every object, (m,): by its type, or the one of a look."""
        if not look.by_type:
            return np.full(len(self.names), look.color)
        pairs = zip(self.types, self.shapes, strict=True)
        return np.array([outline_colour(kind, shape) for kind, shape in pairs], dtype="U9")

    def wanted(self, look):
        """Mask of the objects within a look's `types` (empty: all), `min_size` and `max_magnitude`."""
        # an unknown size or magnitude hides nothing: no comparison with it is true
        keep = ~(self.sizes < look.min_size) & ~(self.magnitudes > look.max_magnitude)
        if look.types:
            keep &= np.isin(self.types, list(look.types))
        return keep


def contains(geometry, ra, dec):
    """Whether a place (degrees) lies in an outline, whatever branch of the longitude the outline uses.

    Examples
    --------
    >>> square = shapely.box(-1, -1, 1, 1)
    >>> contains(square, 359.5, 0), contains(square, 180, 0)
    (True, False)
    """
    return any(bool(shapely.contains_xy(geometry, ra + turn, dec)) for turn in (-360.0, 0.0, 360.0))
