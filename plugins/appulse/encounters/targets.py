"""The objects that a search looks near: light arrays for the scan, whole outlines on demand."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from appulse.catalogues import all_objects, find_object, outline_of, read_polygons
from appulse.encounters.outline_pass import outline_shape
from appulse.errors import InputError
from appulse.numerics import unit_from_radec


@dataclass(frozen=True)
class Targets:
    """Objects to search near, as arrays of one length.

    Attributes
    ----------
    ra, dec : (k,) arrays
        ICRF degrees.
    extent_arcmin : (k,) array
        From the centre to the farthest point of the outline; 0 for a point.
    rows : (k,) int array
        Row of the deep-sky catalogue, -1 for an object of one's own.
    own : tuple
        Those, in order.
    """

    ra: np.ndarray
    dec: np.ndarray
    extent_arcmin: np.ndarray
    rows: np.ndarray
    own: tuple = ()

    def __len__(self):
        return len(self.ra)

    @property
    def unit(self):
        """Directions, (k, 3)."""
        return unit_from_radec(self.ra, self.dec)

    def take(self, indices):
        """Some of the targets, as outlines of their own."""
        return Targets.from_outlines(self.outline(i) for i in indices)

    def outline(self, index):
        """The outline of one target."""
        row = int(self.rows[index])
        return outline_of(row) if row >= 0 else self.own[int(np.sum(self.rows[:index] < 0))]

    @classmethod
    def from_outlines(cls, outlines):
        """Targets from outlines."""
        outlines = tuple(outlines)
        return cls(
            np.array([outline.ra for outline in outlines], dtype=float),
            np.array([outline.dec for outline in outlines], dtype=float),
            np.array([extent_arcmin(outline) for outline in outlines], dtype=float),
            np.full(len(outlines), -1),
            outlines,
        )


def extent_arcmin(outline):
    """From the centre to the farthest point of an outline, arcmin."""
    if outline.kind != "polygon":
        return 0.0 if outline.kind == "point" else (outline.major_arcmin or 0.0) / 2
    # the corner of the box around the polygon: never less than the true extent
    shape = outline_shape(outline)
    if shape is None:
        return 0.0
    return float(np.hypot(*np.abs(np.array(shape.bounds)).reshape(2, 2).max(axis=0)))


def choose_targets(choice):
    """The objects that a campaign asks for.

    Parameters
    ----------
    choice : TargetChoice
        Names win over limits; without either the whole catalogue is taken, plain stars left out. Outlines of
        files are added.

    Returns
    -------
    Targets

    Raises
    ------
    InputError
        An unknown name or type, or limits that leave nothing.

    Examples
    --------
    >>> from appulse.encounters.campaign_file import TargetChoice
    >>> len(choose_targets(TargetChoice(names=("IC 4603", "IC 4604"))))
    2
    >>> len(choose_targets(TargetChoice(types=("globular cluster",)))) > 100
    True
    """
    outlines = [outline for path in choice.outlines for outline in read_polygons(path)]
    if choice.names:
        outlines = [*(find_object(name) for name in choice.names), *outlines]
    # Names win over limits; files of outlines are always added.
    own = Targets.from_outlines(outlines)
    if choice.names or (outlines and not choice.types):
        return own
    listed = _from_catalogue(choice)
    joined = {
        name: np.concatenate([getattr(listed, name), getattr(own, name)])
        for name in ("ra", "dec", "extent_arcmin", "rows")
    }
    if not len(joined["ra"]):
        raise InputError("the limits on type, size and magnitude leave no object; widen them")
    return Targets(own=own.own, **joined)


def _from_catalogue(choice):
    table = all_objects()
    kind, mag = np.asarray(table["type"]), np.asarray(table["mag"].value)
    size = np.asarray(table["major"].to_value("arcmin"))
    if choice.types:
        keep = np.zeros(len(table), dtype=bool)
        for word in choice.types:
            match = np.array([word.lower() in name.lower() for name in kind])
            if not match.any():
                raise InputError(f"no object has a type like {word!r}; known: {', '.join(sorted(set(kind)))}")
            keep |= match
    else:
        # plain stars that the catalogue lists are no objects to photograph a pass by
        keep = np.array(["star" not in name or "cluster" in name for name in kind])
    # an unknown size or magnitude (NaN) fails every limit on it
    with np.errstate(invalid="ignore"):
        if choice.brighter_than is not None:
            keep &= mag <= choice.brighter_than
        if choice.larger_than is not None:
            keep &= size >= choice.larger_than
        if choice.smaller_than is not None:
            keep &= size <= choice.smaller_than
    table = table[keep]
    extent = np.nan_to_num(np.asarray(table["major"].to_value("arcmin"))) / 2
    ra, dec = (np.asarray(table[axis].to_value("deg")) for axis in ("ra", "dec"))
    return Targets(ra, dec, extent, np.asarray(table["row"]))
