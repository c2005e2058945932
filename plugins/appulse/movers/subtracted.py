"""Movers on star-subtracted frames: from pixels to lines that have light all along.

::

    register --> smooth --> subtract --> sightings of each frame --> lines --> moving light --> movers
                                         (faint ones too)           (chance)  (all frames together)
"""

from dataclasses import dataclass

import numpy as np

from appulse.astrometry.plate import zero_point
from appulse.astrometry.residual import Residual
from appulse.constants import ARCSEC_PER_RAD
from appulse.movers.difference import Differences, subtract
from appulse.movers.linking import MOST_PAIRS, pairs_to_try
from appulse.movers.lit_lines import FAINT, PLACE_PX, Search, lit_lines
from appulse.movers.registration import GridSky, Registration, register
from appulse.movers.sightings import sightings
from appulse.movers.smoothed import smooth_frames
from appulse.numerics.sphere import offsets_rad, unit_from_radec

TRAIL_FWHM = 3.0
"""A longer trail is said to cost depth: its own matched filter would be 1.3 times as good as a dot's."""
FLAG = "on the star-subtracted frame: the frame itself shows no dot of its own there"


@dataclass(eq=False)
class Subtracted:
    """Star-subtracted frames of a field and the lines in them.

    Parameters
    ----------
    registration : Registration
    found : Differences
    lines : list of LitLine
        Surest first.
    notes : tuple of str
    masked_share : float
        Of the grid, share that fewer than three frames show unmasked.
    """

    registration: Registration
    found: Differences
    lines: list
    notes: tuple = ()
    masked_share: float = 0.0


def search_subtracted(frames, plates, hours, *, max_rate, needed, threshold, progress=None) -> Subtracted:
    """Lines of light on the star-subtracted frames.

    Parameters
    ----------
    frames, plates : sequences
    hours : (n,) array
        Mid-exposures.
    max_rate : float
        arcsec/h
    needed : int
        Sightings that make a line.
    threshold : float
        Signal to noise of a sighting.
    progress : callable, optional

    Returns
    -------
    Subtracted

    Raises
    ------
    MeasurementError
        If the frames cannot be laid on each other, or there is no room for them.
    """
    registration = register(frames, plates)
    smoothed = smooth_frames(registration, plates, progress=progress)
    try:
        found = subtract(registration, plates, smoothed)
        centre = unit_from_radec(*frames[0].centre)
        sky = GridSky(registration, plates, centre)
        seen, notes = _seen(found, sky, hours, max_rate, threshold)
        lines, more = lit_lines(Search(found, sky, seen, hours, max_rate, needed, threshold))
        share, words = _masked(found, smoothed)
        words = *words, *notes, *more, *_trails(registration, plates, max_rate)
        return Subtracted(registration, found, lines, words, share)
    finally:
        smoothed.close()


def _seen(found, sky, hours, max_rate, threshold):
    """Sightings of each frame, rows (xi, eta, sigma, q, gx, gy), and a note where some had to be left out."""
    seen = []
    for k in range(len(hours)):
        gx, gy, q = sightings(found, k, FAINT * threshold).T
        xi, eta = sky.offsets(gx, gy)
        sigma = np.hypot(found.smoothed.width / np.maximum(q, 1.0), PLACE_PX) * sky.frame.pixel_scale
        seen.append(np.stack([xi, eta, sigma, q, gx, gy], axis=1))
    limit = FAINT * threshold
    while pairs_to_try(seen, hours, max_rate) > MOST_PAIRS:
        limit *= 1.1
        seen = [rows[rows[:, 3] >= limit] for rows in seen]
    if limit > FAINT * threshold:
        return seen, (
            f"so many sightings that only those above S/N {limit:.1f} are tried at up to {max_rate:g} "
            "arcsec/h: a lower --max-rate or fewer frames go deeper",
        )
    return seen, ()


def _masked(found, smoothed):
    """Share of the grid without three usable frames, and the words on it."""
    least = 0.999 * np.sort(found.weight)[:3].sum()
    hidden = float(np.mean(found.total < least))
    frames = float(np.mean(smoothed.masked_share))
    return hidden, (
        f"star-subtracted: {100 * hidden:.1f}% of the area is seen by fewer than three frames "
        f"(saturated, bad or outside); {100 * frames:.1f}% of a frame is masked on average",
    )


def _trails(registration, plates, max_rate):
    """A note where the fastest bodies are no dots: the filter is a dot's."""
    slowest = np.inf
    for frame, plate in zip(registration.frames, plates, strict=True):
        seconds = frame.exposure.span_s
        if seconds > 0:
            fwhm = plate.survey.psf.fwhm * frame.pixel_scale
            slowest = min(slowest, TRAIL_FWHM * fwhm / (seconds / 3600.0))
    if slowest >= max_rate:
        return ()
    return (
        f"beyond {slowest:.0f} arcsec/h a body's trail is longer than {TRAIL_FWHM:g} FWHM on the longest "
        "exposure: such ones are seen less deep",
    )


def measure_subtracted(frame, prediction, plate, own) -> Residual:
    """A mover on one frame as its star-subtracted pixels show it.

    Parameters
    ----------
    frame : SolvedFrame
    prediction : Prediction
    plate : PlateCheck
    own : (float, float, float, float, float)
        x, y, sigma of either (px), flux and its sigma (stored units).

    Returns
    -------
    Residual
        Without a fit; its flag says where it comes from.
    """
    x, y, sigma, flux, flux_sigma = own
    ra, dec = (float(v) for v in frame.to_sky(x, y))
    xi, eta = offsets_rad(unit_from_radec(prediction.ra, prediction.dec), unit_from_radec(ra, dec))
    dra, ddec, zero_covariance = plate.local_offset(x, y)
    turn = frame.jacobian(x, y)
    mag, mag_sigma = zero_point(plate).magnitude(flux, flux_sigma)
    return Residual(
        frame.name, frame.exposure.mid.utc.isot, prediction.designation, prediction, seen=True, x=x, y=y,
        ra_obs=ra, dec_obs=dec, dra_cosdec=float(xi) * ARCSEC_PER_RAD, ddec=float(eta) * ARCSEC_PER_RAD,
        covariance=sigma**2 * turn @ turn.T, plate_offset=np.array([dra, ddec]),
        plate_covariance=zero_covariance, n_stars=plate.n_stars, snr=flux / flux_sigma, flag=FLAG,
        mag_obs=mag, sigma_mag=mag_sigma, expected_px=(x, y), exposure_s=frame.exposure.seconds,
        mid=frame.exposure.mid,
    )  # fmt: skip
