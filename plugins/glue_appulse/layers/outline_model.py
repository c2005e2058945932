"""Outlines as flat arrays, quick to project, cull and draw."""

from dataclasses import dataclass

import numpy as np
import shapely
from glue.core.exceptions import IncompatibleAttribute
from glue.core.subset import Subset

#: Columns of an outlines data set.
NAME, TYPE, SIZE, MAGNITUDE, SHAPE = "name", "type", "major axis", "magnitude", "drawn as"
BOUNDARY = "outline"
#: Values of the column 'drawn as'.
ELLIPSE, CIRCLE, POLYGON, POINT = "ellipse", "circle by guess", "polygon", "point"


def rings_of(geometry):
    """Rings of a geometry in ICRF degrees.

    Parameters
    ----------
    geometry : shapely.Geometry

    Returns
    -------
    list of ndarray, (n, 2)
        Empty for a point.
    """
    if geometry.geom_type == "Polygon":
        return [np.asarray(ring.coords) for ring in (geometry.exterior, *geometry.interiors)]
    return [ring for part in getattr(geometry, "geoms", ()) for ring in rings_of(part)]


@dataclass
class OutlineModel:
    """Objects of a layer, their vertices end to end.

    Parameters
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

    @classmethod
    def from_layer(cls, layer):
        """Read an outlines data set or a subset of one.

        Parameters
        ----------
        layer : glue.core.data_region.RegionData or glue.core.subset.Subset

        Returns
        -------
        OutlineModel

        Raises
        ------
        IncompatibleAttribute
            The subset says nothing about these outlines.
        """
        data = layer.data if isinstance(layer, Subset) else layer
        keep = np.asarray(layer.to_mask(), bool) if isinstance(layer, Subset) else np.ones(data.shape, bool)
        column = {name: np.asarray(data[name])[keep] for name in (NAME, TYPE, SHAPE, SIZE, MAGNITUDE)}
        shapes = np.asarray(data[data.extended_component_id])[keep]
        centres = np.column_stack(
            [np.asarray(data[c], float)[keep] for c in (data.center_x_id, data.center_y_id)]
        )
        rings = [(i, ring) for i, shape in enumerate(shapes) for ring in rings_of(shape)]
        lengths = [len(ring) for _i, ring in rings]
        return cls(
            names=column[NAME].astype(str),
            types=column[TYPE].astype(str),
            shapes=column[SHAPE].astype(str),
            sizes=column[SIZE].astype(float),
            magnitudes=column[MAGNITUDE].astype(float),
            centres=centres,
            vertices=np.concatenate([ring for _i, ring in rings]) if rings else np.empty((0, 2)),
            owner=np.repeat([i for i, _ring in rings], lengths).astype(int),
            order=np.concatenate([np.arange(n) for n in lengths]) if rings else np.empty(0, int),
        )

    def colours(self, look):
        """Colour of every object.

        Parameters
        ----------
        look : object
            With ``color`` and ``by_type``.

        Returns
        -------
        ndarray of str, (m,)
        """
        from appulse.overlays.palette import outline_colour

        if not look.by_type:
            return np.full(len(self.names), look.color)
        pairs = zip(self.types, self.shapes, strict=True)
        return np.array([outline_colour(kind, shape) for kind, shape in pairs], dtype="U9")

    def wanted(self, look):
        """Objects within the limits of a layer.

        Parameters
        ----------
        look : object
            With ``types`` (empty: all), ``min_size`` and ``max_magnitude``.

        Returns
        -------
        ndarray of bool, (m,)
        """
        keep = ~(self.sizes < look.min_size) & ~(self.magnitudes > look.max_magnitude)
        if look.types:
            keep &= np.isin(self.types, list(look.types))
        return keep


def empty_model():
    """A model of nothing.

    Returns
    -------
    OutlineModel
    """
    none = np.empty(0)
    return OutlineModel(
        none.astype(str),
        none.astype(str),
        none.astype(str),
        none,
        none,
        np.empty((0, 2)),
        np.empty((0, 2)),
        none.astype(int),
        none.astype(int),
    )


def contains(geometry, ra, dec):
    """Whether a place lies in an outline, whatever branch of the longitude the outline uses.

    Parameters
    ----------
    geometry : shapely.Geometry
        ICRF degrees, longitudes unwrapped.
    ra, dec : float
        Degrees.

    Returns
    -------
    bool

    Examples
    --------
    >>> square = shapely.box(-1, -1, 1, 1)
    >>> contains(square, 359.5, 0), contains(square, 180, 0)
    (True, False)
    """
    return any(bool(shapely.contains_xy(geometry, ra + turn, dec)) for turn in (-360.0, 0.0, 360.0))


__all__ = [
    "BOUNDARY",
    "CIRCLE",
    "ELLIPSE",
    "MAGNITUDE",
    "NAME",
    "POINT",
    "POLYGON",
    "SHAPE",
    "SIZE",
    "TYPE",
    "IncompatibleAttribute",
    "OutlineModel",
    "contains",
    "empty_model",
    "rings_of",
]
