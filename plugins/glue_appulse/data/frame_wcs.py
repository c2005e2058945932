"""The sky of a frame as glue sees it: a WCS that survives sessions, and ICRF degrees to pixels.

glue saves an astropy WCS without its distortion terms, so a restored frame would draw every overlay
an arcminute off. :class:`FrameWCS` writes them too.
"""

import warnings

import numpy as np
from astropy import units as u
from astropy.coordinates import ICRS, SkyCoord, UnitSphericalRepresentation
from astropy.io import fits
from astropy.wcs import WCS, FITSFixedWarning
from astropy.wcs.utils import wcs_to_celestial_frame

#: Distance from the field's middle, in units of the frame's diagonal, beyond which a distortion
#: polynomial means nothing any more and a place counts as not projectable.
DISTORTION_REACH = 3.0


class FrameWCS(WCS):
    """A two-dimensional celestial WCS that keeps SIP and PV terms and its size through a glue session."""
    # Build it with :meth:`from_wcs`.

    @classmethod
    def from_wcs(cls, wcs: WCS, shape: tuple[int, int]) -> "FrameWCS":
        """Copy an astropy WCS."""
        return cls._from_cards(wcs.celestial.to_header(relax=True).tostring(), shape)

    @classmethod
    def _from_cards(cls, cards, shape):
        header = fits.Header.fromstring(cards)
        with warnings.catch_warnings():
            # a header written by astropy itself still gets its dates put in order, which is no news
            warnings.simplefilter("ignore", FITSFixedWarning)
            result = cls(header)
        result.array_shape = tuple(int(n) for n in shape)
        return result

    def __gluestate__(self, context):
        return {"cards": self.to_header(relax=True).tostring(), "shape": list(self.array_shape)}

    @classmethod
    def __setgluestate__(cls, rec, context):
        return cls._from_cards(rec["cards"], rec["shape"])


class SkyProjector:
    """ICRF places to the pixels of a reference image."""

    def __init__(self, coords, shape):
        if not isinstance(coords, WCS) or not coords.has_celestial:
            raise ValueError("the reference image has no celestial WCS; choose a solved frame as reference")
        self.wcs = coords if coords.naxis == 2 else coords.celestial
        self.frame = wcs_to_celestial_frame(self.wcs)
        self.shape = tuple(shape)[-2:]
        self._lon, self._lat = self.wcs.wcs.lng, self.wcs.wcs.lat

    @property
    def _same_axes(self):
        return isinstance(self.frame, ICRS)

    def _native(self, ra, dec):
        """ICRF degrees to the WCS's own longitude and latitude, degrees."""
        if self._same_axes:
            return ra, dec
        sky = SkyCoord(ra, dec, unit="deg", frame="icrs").transform_to(self.frame)
        sphere = sky.represent_as(UnitSphericalRepresentation)
        return sphere.lon.deg, sphere.lat.deg

    def to_pixel(self, ra_deg: np.ndarray, dec_deg: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Zero-based pixel places."""
        ra = np.mod(np.atleast_1d(np.asarray(ra_deg, float)), 360.0)
        dec = np.atleast_1d(np.asarray(dec_deg, float))
        if ra.size == 0:
            return ra, dec
        lon, lat = self._native(ra, dec)
        world = np.empty((ra.size, 2))
        world[:, self._lon], world[:, self._lat] = lon, lat
        pixel = self.wcs.wcs_world2pix(world, 0)
        middle = (np.array(self.shape[::-1]) - 1) / 2.0
        if self.wcs.has_distortion:
            reach = DISTORTION_REACH * np.hypot(*self.shape)
            near = np.hypot(*(pixel - middle).T) < reach
            pixel[~near] = np.nan
            if near.any():
                pixel[near] = self.wcs.all_world2pix(world[near], 0, tolerance=1e-8, maxiter=60, quiet=True)
        return pixel[:, 0], pixel[:, 1]

    def to_sky(self, x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """ICRF degrees of zero-based pixels."""
        world = self.wcs.all_pix2world(np.column_stack([np.atleast_1d(x), np.atleast_1d(y)]), 0)
        lon, lat = world[:, self._lon], world[:, self._lat]
        if self._same_axes:
            return lon, lat
        sky = SkyCoord(lon, lat, unit="deg", frame=self.frame).transform_to("icrs")
        return sky.ra.deg, sky.dec.deg

    def local_scale(self, ra_deg: float, dec_deg: float) -> np.ndarray:
        """Jacobian of pixels by sky offsets at one place."""
        step = 1.0 / 3600.0
        here = SkyCoord(ra_deg, dec_deg, unit="deg")
        around = here.directional_offset_by([90, 270, 0, 180] * u.deg, step * u.deg)
        x, y = self.to_pixel(around.ra.deg, around.dec.deg)
        return np.array([[x[0] - x[1], x[2] - x[3]], [y[0] - y[1], y[2] - y[3]]]) / 2.0
