"""One look at a frame's pixels, shared by everything that measures on it: sky, noise, PSF, sources.

frame --> sky mesh --> sources --> PSF from the best stars --> places of the brightest sources
"""

from dataclasses import dataclass, field, replace

import numpy as np
from astropy.table import Table

from appulse.astrometry.centroid import fit_source
from appulse.astrometry.noise import Noise, frame_noise
from appulse.astrometry.psf_stars import FieldPSF, psf_from_stars
from appulse.astrometry.sky_level import SkyMap, sky_map
from appulse.astrometry.stars import detect_stars
from appulse.errors import MeasurementError

PLATEAU_PIXELS = 6
"""So many pixels at the very top of the scale mean that it clips there."""
STAR_RADIUS_FWHM = 3.2


@dataclass
class Survey:
    """What a frame's pixels tell about themselves.

    Parameters
    ----------
    sky : SkyMap
    sources : Table
        From :func:`~appulse.astrometry.stars.detect_stars`.
    psf : FieldPSF
    noise : Noise
    saturation : float or None
        Stored number from which pixels are saturated.
    notes : tuple of str
        What was estimated for want of better, in words.
    """

    sky: SkyMap
    sources: Table
    psf: FieldPSF
    noise: Noise
    saturation: float | None
    notes: tuple = ()
    _fits: dict = field(default_factory=dict, repr=False)

    def star_fit(self, data, index: int):
        """Careful fit of one source of the table; None where it fails. Kept for the next who asks."""
        if index not in self._fits:
            x, y = float(self.sources["x"][index]), float(self.sources["y"][index])
            psf = self.psf.at(x, y)
            try:
                self._fits[index] = fit_source(
                    data,
                    x,
                    y,
                    psf,
                    self.noise,
                    background_order=1,
                    radius=max(STAR_RADIUS_FWHM * psf.fwhm, 5.0),
                    saturation=self.saturation,
                    max_shift=max(psf.fwhm, 1.5),
                )
            except (MeasurementError, np.linalg.LinAlgError):
                self._fits[index] = None
        return self._fits[index]

    def about(self, x: float, y: float, radius_px: float) -> "Survey":
        """The same survey with the sources around a place only."""
        return replace(self, sources=within(self.sources, x, y, radius_px), _fits={})


def within(table: Table, x: float, y: float, radius: float) -> Table:
    """Rows of a table of places whose ``x, y`` lie within a radius, px.

    Examples
    --------
    >>> len(within(Table({"x": [1.0, 9.0], "y": [2.0, 2.0]}), 0.0, 0.0, 3.0))
    1
    """
    if len(table) == 0:
        return table
    return table[np.hypot(np.asarray(table["x"]) - x, np.asarray(table["y"]) - y) <= radius]


def survey(frame, *, psf=None) -> Survey:
    """Look at a frame once.

    Parameters
    ----------
    frame : SolvedFrame
    psf : PSF, optional
        Where it is known; else from the frame's stars.

    Returns
    -------
    Survey

    Raises
    ------
    MeasurementError
        If the frame has no usable pixel.

    Examples
    --------
    >>> from types import SimpleNamespace
    >>> from appulse.frames.camera import Camera
    >>> data = np.random.default_rng(4).normal(50.0, 2.0, (64, 64)).astype(np.float32)
    >>> looked = survey(SimpleNamespace(data=data, camera=Camera()))
    >>> len(looked.sources), looked.psf.n_stars
    (0, 0)
    """
    data, notes = frame.data, []
    sky = sky_map(data)
    level, sigma = sky.typical
    noise = frame_noise(frame, level, sigma)
    if "estimated" in noise.source or "alone" in noise.source:
        notes.append(noise.source)
    saturation = _saturation(frame, data, notes)
    sources = detect_stars(data, sky=sky)
    width = _typical_width(sources)
    if width > 4.5 or (0 < width < 2.0):
        sources = detect_stars(data, sky=sky, fwhm=float(np.clip(width, 1.2, 15.0)))
    if psf is not None:
        found = FieldPSF.fixed(psf, data.shape)
    else:
        found = psf_from_stars(data, sources, noise, saturation=saturation)
    if found.n_stars == 0 and psf is None:
        notes.append(f"PSF: {found.words} of {found.fwhm:.1f} px")
    return Survey(sky, sources, found, noise, saturation, tuple(notes))


def _typical_width(sources) -> float:
    """Median width of the brighter sources, px; 0 where there are too few."""
    bright = np.asarray(sources["snr"]) > 15
    return float(np.median(sources["fwhm"][bright][:300])) if bright.sum() >= 5 else 0.0


def _saturation(frame, data, notes):
    """The camera's own limit, or the level at which the frame's brightest pixels are all cut off."""
    if frame.camera.saturation_adu is not None:
        return float(frame.camera.saturation_adu)
    top = np.nanmax(data)
    if not np.isfinite(top) or top <= 0:
        return None
    if int(np.count_nonzero(data >= top * (1 - 1e-3))) >= PLATEAU_PIXELS and top > 1.5 * np.nanmedian(
        data[:: max(1, data.shape[0] // 200)]
    ):
        notes.append(
            f"saturation taken at {0.98 * top:.6g}: the brightest pixels are all cut off at {top:.6g}"
        )
        return float(0.98 * top)
    return None
