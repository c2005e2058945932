"""The sky of a frame as glue sees it: a WCS that survives sessions, and ICRF degrees to pixels.

glue saves an astropy WCS without its distortion terms, so a restored frame would draw every overlay
an arcminute off. :class:`FrameWCS` writes them too.
"""

import warnings

import numpy as np
from astropy.io import fits
from astropy.wcs import WCS, FITSFixedWarning

from appulse.frames import WcsMap

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


class SkyProjector(WcsMap):
    """ICRF places to the pixels of a reference image."""

    def __init__(self, coords, shape):
        if not isinstance(coords, WCS) or not coords.has_celestial:
            raise ValueError("the reference image has no celestial WCS; choose a solved frame as reference")
        self.shape = ny, nx = tuple(shape)[-2:]
        reach = (nx - 1) / 2.0, (ny - 1) / 2.0, DISTORTION_REACH * np.hypot(nx, ny)
        super().__init__(coords if coords.naxis == 2 else coords.celestial, reach)
