"""One grid for all frames of a field: which pixel of each frame a place of the sky falls on.

::

    grid (pixels of one of the frames, counted from another corner)
      |  its WCS                 |  WCS of frame k          |  what the stars of both frames say
      v                          v                          v
    sky  --------------------> pixels by the WCS -------> pixels where frame k shows it

Turned, mirrored and shifted frames come out alike; a WCS that is off by some pixels is put right by the
stars that both frames show.
"""

from dataclasses import dataclass, field

import numpy as np
from scipy import ndimage

from appulse.constants import ARCSEC_PER_RAD
from appulse.errors import MeasurementError
from appulse.frames.wcs import SkyMap
from appulse.numerics.sphere import offsets_rad, radec_from_unit, tangent_axes, unit_from_radec
from appulse.registration.resampling import PixelMap
from appulse.registration.star_matching import Match, match_frame

MOST_STARS = 600
FAR_ARCSEC = 180.0
"""Frames of one search follow each other: none is farther off than a few minutes of a poor mount's drift."""
LARGEST_GRID = 2.5
"""Sides of the grid over those of the frame it follows: frames strewn wider than that share little sky."""


@dataclass(eq=False)
class CommonGrid:
    """Where a set of frames lies on a common grid."""

    frames: list
    # Index of the frame whose pixels the grid follows.
    reference: int
    # (int, int); x and y of the grid's pixel (0, 0) in the reference frame's pixels.
    origin: tuple[int, int]
    # (int, int); rows and columns of the grid.
    shape: tuple[int, int]
    # What the common stars say; None where the WCS alone is followed.
    matches: list[Match | None]
    # Stars that each frame has in common with the reference.
    common: list[int]
    _maps: dict = field(default_factory=dict, repr=False)

    def to_frame(self, k: int, gx, gy):
        """Pixels of frame k that show places of the grid."""
        x, y = np.asarray(gx, float) + self.origin[0], np.asarray(gy, float) + self.origin[1]
        if k == self.reference:
            return x, y
        return _through(self.frames[self.reference], self.frames[k], self.matches[k], x, y)

    def pixel_map(self, k: int) -> PixelMap:
        """Pixels of frame k for the grid's."""
        if k not in self._maps:
            self._maps[k] = PixelMap.through(lambda gx, gy: self.to_frame(k, gx, gy), self.shape)
        return self._maps[k]

    def jacobian(self, k: int) -> np.ndarray:
        """d(x, y of frame k) / d(x, y of the grid) at the grid's middle, (2, 2)."""
        cy, cx = (self.shape[0] - 1) / 2, (self.shape[1] - 1) / 2
        x, y = self.to_frame(k, cx + np.array([0.5, -0.5, 0, 0]), cy + np.array([0, 0, 0.5, -0.5]))
        return np.array([[x[0] - x[1], x[2] - x[3]], [y[0] - y[1], y[2] - y[3]]])


def common_grid(frames, plates, *, least: int = 3) -> CommonGrid:
    """A common grid for frames of one field."""
    reference = _middle_frame(frames, plates)
    matches, common = [], []
    for k, frame in enumerate(frames):
        found = None if k == reference else _common_stars(frames, plates, reference, k)
        if k != reference and found is None and min(_bright(plates[j]) for j in (k, reference)) >= 12:
            raise MeasurementError(f"{frame.name}: its stars lie nowhere near those of the other frames")
        matches.append(found)
        common.append(len(plates[k].survey.sources) if k == reference else _pairs(found))
    origin, shape = _extent(frames, matches, reference, least)
    return CommonGrid(list(frames), reference, origin, shape, matches, common)


def _middle_frame(frames, plates) -> int:
    """The frame of median seeing."""
    width = [p.survey.psf.fwhm * f.pixel_scale for f, p in zip(frames, plates, strict=True)]
    return int(np.argsort(width, kind="stable")[(len(width) - 1) // 2])


def _bright(plate) -> int:
    return int(np.sum(np.asarray(plate.survey.sources["snr"])[:MOST_STARS] > 12))


def _pairs(found) -> int:
    return 0 if found is None else len(found.star)


def _common_stars(frames, plates, reference, k) -> Match | None:
    here, there = plates[reference].survey.sources[:MOST_STARS], plates[k].survey.sources[:MOST_STARS]
    x, y = _through(frames[reference], frames[k], None, np.asarray(here["x"]), np.asarray(here["y"]))
    known = np.isfinite(x) & np.isfinite(y)
    stars, sources = np.column_stack([x, y])[known], np.column_stack([there["x"], there["y"]])
    frame, fwhm = frames[k], plates[k].survey.psf.fwhm
    return match_frame(stars, sources, frame.shape, frame.pixel_scale, fwhm, FAR_ARCSEC)


def _through(reference, frame, found, x, y):
    """From pixels of one frame to those of another, by the sky and the stars in common."""
    x, y = frame.to_pixel(*reference.to_sky(x, y))
    if found is None:
        return x, y
    moved = found.apply(np.column_stack([x, y]))
    return moved[:, 0], moved[:, 1]


def _extent(frames, matches, reference, least):
    """Origin and shape of the box that holds all sky shown by `least` frames, in the reference's pixels."""
    ny, nx = frames[reference].shape
    step = max(4, min(nx, ny) // 100)
    wide = (LARGEST_GRID - 1) / 2
    gx, gy = np.meshgrid(
        np.arange(-wide * nx, (1 + wide) * nx, step), np.arange(-wide * ny, (1 + wide) * ny, step)
    )
    count = np.zeros(gx.shape, int)
    for k, frame in enumerate(frames):
        x, y = gx.ravel(), gy.ravel()
        if k != reference:
            x, y = _through(frames[reference], frame, matches[k], x, y)
        # NaN compares false: what the projection does not reach is not shown.
        inside = (x > -0.5) & (x < frame.shape[1] - 0.5) & (y > -0.5) & (y < frame.shape[0] - 0.5)
        count += inside.reshape(gx.shape)
    shown = count >= min(least, len(frames))
    if not shown.any():
        raise MeasurementError(f"no sky that {least} of the frames show")
    shown = ndimage.binary_dilation(shown, np.ones((3, 3), bool))
    x0, x1 = int(np.floor(gx[shown].min())), int(np.ceil(gx[shown].max()))
    y0, y1 = int(np.floor(gy[shown].min())), int(np.ceil(gy[shown].max()))
    if np.all(count[(gx >= 0) & (gx < nx) & (gy >= 0) & (gy < ny)] == len(frames)):
        # Frames that lie on each other: the grid is the frame, not a step more.
        x0, x1, y0, y1 = max(x0, 0), min(x1, nx - 1), max(y0, 0), min(y1, ny - 1)
    return (x0, y0), (y1 - y0 + 1, x1 - x0 + 1)


class GridSky(SkyMap):
    """The sky of a registration's grid: the reference frame's map, its plate's zero point off."""

    #     grid --origin--> pixels of the reference frame --its WCS--> sky --the stars' offset--> sky (ICRF)

    def __init__(self, registration, plates, centre):
        # centre: (3,) array; unit vector at which the plane touches in which the zero point is taken off and
        # lines are fitted.
        self.registration, self.centre = registration, centre
        self.frame = registration.frames[registration.reference]
        plate = plates[registration.reference]
        self.model = plate.model if plate.corrected else None

    def _zero_point(self, x, y):
        """The stars' offset, xi and eta in arcsec, at pixels of the reference frame."""
        return (self.model.terms(x, y) @ np.stack([self.model.east, self.model.north], 1)).T

    def offsets(self, gx, gy):
        """xi, eta in arcsec of places of the grid, shape (2, n)."""
        x, y = gx + self.registration.origin[0], gy + self.registration.origin[1]
        place = ARCSEC_PER_RAD * np.stack(offsets_rad(self.centre, unit_from_radec(*self.frame.to_sky(x, y))))
        return place if self.model is None else place - self._zero_point(x, y)

    def grid(self, xi, eta):
        """Places of the grid, px, shape (2, n)."""
        shift = np.zeros((2, len(xi)))
        # The zero point belongs to the pixel that is sought; it changes so little across a frame that the
        # third step moves nothing.
        for _ in range(1 if self.model is None else 3):
            x, y = self.frame.to_pixel(*self._sky(xi + shift[0], eta + shift[1]))
            if self.model is not None:
                shift = self._zero_point(x, y)
        return np.stack([x - self.registration.origin[0], y - self.registration.origin[1]])

    def _sky(self, xi, eta):
        east, north = tangent_axes(self.centre)
        return radec_from_unit(self.centre + (xi[..., None] * east + eta[..., None] * north) / ARCSEC_PER_RAD)

    def to_sky(self, x, y):
        x, y = np.broadcast_arrays(np.asarray(x, float), np.asarray(y, float))
        xi, eta = self.offsets(x.ravel(), y.ravel())
        return tuple(value.reshape(x.shape) for value in self._sky(xi, eta))

    def to_pixel(self, ra_deg, dec_deg):
        unit = unit_from_radec(*np.broadcast_arrays(np.asarray(ra_deg, float), np.asarray(dec_deg, float)))
        xi, eta = ARCSEC_PER_RAD * np.stack(offsets_rad(self.centre, unit))
        return tuple(value.reshape(xi.shape) for value in self.grid(xi.ravel(), eta.ravel()))

    def plane_jacobian(self, gx, gy):
        """d(xi, eta) / d(gx, gy), arcsec per px, (2, 2): of the plane, where `jacobian` is of the sky."""
        step = np.array([0.5, -0.5, 0.0, 0.0])
        at = self.offsets(gx + step, gy + step[[2, 3, 0, 1]])
        return np.stack([at[:, 0] - at[:, 1], at[:, 2] - at[:, 3]], axis=1)
