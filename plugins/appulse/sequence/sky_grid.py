"""The sky grid onto which all frames of a night are laid.

::

    frame 1  +--------+            extent 'common':  the largest upright rectangle that every frame covers
    frame 2    +--------+          extent 'all':     everything that any frame covers
             +-+########+-+
               +--------+          ####  common
"""

import numpy as np
from astropy.wcs import WCS

from appulse.errors import InputError
from appulse.frames import WcsMap

EXTENTS = ("common", "all")
COARSE = 8
"""Pixels of a cell when the frames' footprints are painted."""
MAX_SIDE = 60_000


class SkyGrid(WcsMap):
    """A tangent plane without distortion, as the sky is seen (east to the left of north)."""

    def __init__(self, wcs: WCS, shape: tuple[int, int]):
        # wcs: TAN, ICRF.
        # shape: (int, int); rows and columns.
        super().__init__(wcs)
        self.shape = shape

    @property
    def pixel_scale(self) -> float:
        """Arcsec per pixel at the tangent point."""
        return float(np.sqrt(abs(np.linalg.det(self.wcs.pixel_scale_matrix))) * 3600.0)

    def cropped(self, x0: int, y0: int, nx: int, ny: int) -> "SkyGrid":
        """The part of `nx` by `ny` pixels whose lowest, leftmost pixel is (x0, y0)."""
        wcs = self.wcs.deepcopy()
        wcs.wcs.crpix = wcs.wcs.crpix - [x0, y0]
        wcs.wcs.set()
        return SkyGrid(wcs, (int(ny), int(nx)))


def tangent_grid(ra_deg, dec_deg, scale_arcsec, rotation_deg, shape) -> SkyGrid:
    """A grid around a place."""
    turn = np.radians(rotation_deg)
    scale = scale_arcsec / 3600.0
    wcs = WCS(naxis=2)
    wcs.wcs.ctype, wcs.wcs.cunit = ["RA---TAN", "DEC--TAN"], ["deg", "deg"]
    wcs.wcs.crval = [float(ra_deg), float(dec_deg)]
    wcs.wcs.crpix = [(shape[1] + 1) / 2, (shape[0] + 1) / 2]
    # +y points to PA: (east, north) = (sin, cos); +x points to the west of it for the sky as it is seen.
    wcs.wcs.cd = scale * np.array([[-np.cos(turn), np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    wcs.wcs.radesys = "ICRS"
    wcs.wcs.set()
    return SkyGrid(wcs, tuple(int(n) for n in shape))


def grid_for(reference, outlines, *, extent="common", north_up=False, scale_arcsec=None):
    """The grid for a set of frames."""
    if extent not in EXTENTS:
        raise InputError(f"extent {extent!r}: {' or '.join(EXTENTS)} is allowed")
    turn = 0.0 if north_up else _upright_turn(reference)
    scale = scale_arcsec or reference.pixel_scale
    plane = tangent_grid(*reference.centre, scale, turn, (1, 1))
    edges = [np.stack(plane.to_pixel(*outline.T), axis=1) for outline in outlines]
    everything = np.concatenate(edges)
    low, high = np.floor(np.nanmin(everything, axis=0)), np.ceil(np.nanmax(everything, axis=0))
    nx, ny = (int(n) for n in high - low + 1)
    if not 0 < max(nx, ny) <= MAX_SIDE:
        raise InputError(
            f"the frames span {nx} x {ny} pixels on the sky, at most {MAX_SIDE} are allowed: are they of one "
            "field?"
        )
    full = plane.cropped(int(low[0]), int(low[1]), nx, ny)
    coverage = painted([edge - low for edge in edges], (ny, nx))
    if extent == "all":
        return full, coverage, (0, 0, nx, ny)
    box = largest_rectangle(coverage == len(edges))
    if box is None:
        raise InputError(
            f"no part of the sky lies on all {len(edges)} frames: leave out those of another field, or use "
            "the extent 'all'"
        )
    x0, y0, bx, by = (int(n) * COARSE for n in box)
    box = (x0, y0, min(bx, nx - x0), min(by, ny - y0))
    return full.cropped(*box), coverage, box


def _upright_turn(reference) -> float:
    """Position angle of the grid's +y: the frame's own, turned upside down where that has north up."""
    turn = reference.rotation_deg
    return turn - 180.0 if 90.0 < turn < 270.0 else turn


def painted(edges, shape) -> np.ndarray:
    """How many polygons cover each cell of COARSE pixels wholly, int array."""
    from matplotlib.path import Path

    rows, columns = -(-shape[0] // COARSE), -(-shape[1] // COARSE)
    corner_y, corner_x = np.mgrid[0 : rows + 1, 0 : columns + 1] * COARSE - 0.5
    corners = np.column_stack([corner_x.ravel(), corner_y.ravel()])
    count = np.zeros((rows, columns), dtype=np.int16)
    for edge in edges:
        inside = Path(edge).contains_points(corners, radius=1e-6).reshape(corner_x.shape)
        inside |= Path(edge).contains_points(corners, radius=-1e-6).reshape(corner_x.shape)
        count += inside[:-1, :-1] & inside[1:, :-1] & inside[:-1, 1:] & inside[1:, 1:]
    return count


def largest_rectangle(mask) -> tuple[int, int, int, int] | None:
    """Largest upright rectangle of true cells: x0, y0, width, height; None where there is none."""
    # Row by row, with the heights of the columns of true cells above as a histogram, whose largest rectangle
    # a stack finds in one pass.
    best, found = 0, None
    heights = np.zeros(mask.shape[1], dtype=int)
    for row, line in enumerate(mask):
        heights = np.where(line, heights + 1, 0)
        stack: list[tuple[int, int]] = []
        for column, height in enumerate([*heights.tolist(), 0]):
            start = column
            while stack and stack[-1][1] >= height:
                start, tall = stack.pop()
                if tall * (column - start) > best:
                    best, found = tall * (column - start), (start, row - tall + 1, column - start, tall)
            stack.append((start, height))
    return found


def frame_outline(to_sky, shape, step=16) -> np.ndarray:
    """Edge of a frame as RA and Dec, degrees, `step` points a side, in order."""
    ny, nx = shape
    t = np.arange(step) / step
    x = np.concatenate([t * (nx - 1), np.full(step, nx - 1.0), (1 - t) * (nx - 1), np.zeros(step)])
    y = np.concatenate([np.zeros(step), t * (ny - 1), np.full(step, ny - 1.0), (1 - t) * (ny - 1)])
    return np.stack(to_sky(x, y), axis=1)
