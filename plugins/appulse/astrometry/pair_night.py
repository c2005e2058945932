"""Which of two points beside each other is the body, by a night's other frames: a star stays where it is.

::

    rival's place on the sky --> seen there on other frames, the body elsewhere  --> a star: it is settled
    body's place likewise    --> seen there, and nothing at the rival's          --> the other is the body
"""

from dataclasses import replace

import numpy as np

from appulse.astrometry.plate import zero_point
from appulse.astrometry.residual import Residual, measured_columns, rival_words
from appulse.astrometry.source_fit import SourceFit, is_plain

APART_FWHM = 2.0
"""So far from a spot the body must stand on a frame that is to say whether a star is there."""
SAME_FWHM = 0.6
LEAST_FRAMES = 2
LEAST_SNR = 10.0
"""Of a source that other frames, less clear perhaps, must show too."""


def settled(pairs) -> list[Residual]:
    """Residuals of a night, those with a rival settled where other frames tell the two apart.

    `pairs` are (frame, residual); of the frames the WCS is used, no pixels.
    """
    pairs = list(pairs)
    return [
        residual if residual.fit is None or residual.fit.rival is None
        else _settled(frame, residual, [other for _, other in pairs if _is_another(residual, other)])
        for frame, residual in pairs
    ]  # fmt: skip


def _is_another(residual: Residual, other: Residual) -> bool:
    """Whether a residual is of the same body on another frame that was looked at."""
    return other is not residual and other.designation == residual.designation and other.plate is not None


def _settled(frame, residual: Residual, others) -> Residual:
    """One of them, settled if it can be."""
    fit, rival = residual.fit, residual.fit.rival
    if min(fit.snr, rival.fit.snr) < LEAST_SNR:
        return residual
    shows = {}
    for name, place in (("body", (fit.x, fit.y)), ("rival", (rival.x, rival.y))):
        seen = [_shows(other, *_on_sky(frame, residual.plate, *place)) for other in others]
        shows[name] = seen.count(True), seen.count(False)
    (at_body, not_at_body), (at_rival, not_at_rival) = shows["body"], shows["rival"]
    if at_rival >= LEAST_FRAMES and not_at_rival == 0 and at_body == 0 and not_at_body > 0:
        return _with(frame, residual, replace(fit, cov=rival.alone, rival=None), at_rival)
    if at_body >= LEAST_FRAMES and not_at_body == 0 and at_rival == 0 and not_at_rival > 0:
        return _with(frame, residual, rival.fit, at_body)
    return residual


def _on_sky(frame, plate, x: float, y: float) -> tuple[float, float]:
    """True place of a pixel, degrees: the plate's error taken off."""
    ra, dec = (float(v) for v in frame.to_sky(x, y))
    dra, ddec, _ = plate.local_offset(x, y)
    if not np.isfinite(dra):
        return ra, dec
    return ra - dra / 3600 / np.cos(np.radians(dec)), dec - ddec / 3600


def _shows(other: Residual, ra: float, dec: float) -> bool | None:
    """Whether another frame shows a source at a place; None where it cannot say."""
    x, y = other.plate.true_pixel(ra, dec)
    psf, (ex, ey) = other.plate.survey.psf.at(x, y), other.expected_px
    place = (other.x, other.y) if other.seen else (ex, ey)
    away = np.hypot(x - place[0], y - place[1])
    if not APART_FWHM * psf.fwhm < away or np.hypot(x - ex, y - ey) > other.plate.reach_px:
        return None
    sources = other.plate.survey.sources
    if len(sources) == 0:
        return False
    near = np.hypot(np.asarray(sources["x"]) - x, np.asarray(sources["y"]) - y)
    return bool(near.min() < SAME_FWHM * psf.fwhm)


def _with(frame, residual: Residual, fit: SourceFit, count: int) -> Residual:
    """The residual by this fit, alone."""
    found = measured_columns(frame, residual.prediction, residual.plate, fit)
    magnitude, sigma = zero_point(residual.plate).magnitude(fit.flux, fit.flux_sigma)
    known = np.isfinite(magnitude) and np.isfinite(sigma) and is_plain(fit)
    found |= {"mag_obs": magnitude, "sigma_mag": sigma} if known else {"mag_obs": np.nan, "sigma_mag": np.nan}
    words = rival_words(residual.fit, residual.plate)
    found["flag"] = "; ".join(part for part in residual.flag.split("; ") if part != words)
    note = f"a star in no list beside it, which {count} other frames show, is fitted apart from it"
    return replace(residual, **found, notes=(*residual.notes, note))
