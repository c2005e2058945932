"""Finding a body near its predicted place: how far to look, which light is it, and is it enough."""

import numpy as np

from appulse.astrometry.centroid import SourceFit, fit_source
from appulse.astrometry.identity import ZeroPoint
from appulse.astrometry.plate import PlateCheck
from appulse.astrometry.prediction import Prediction
from appulse.astrometry.psf import Trail
from appulse.astrometry.search import Candidate, search
from appulse.errors import MeasurementError

SEARCH_ARCSEC = 3.0
SEARCH_FWHM = 1.5
CLOCK_ALLOWANCE_S = 60.0
"""The search reaches as far as a body moves in a minute, whatever else is known: clocks are that wrong."""
BARE_SNR, BARE_LISTED = 11.5, 0.5
"""Where the prediction is a bare place (no motion, no magnitude) and less than half of the frame's sources
are listed stars, place alone tells body from unlisted source: only a clear one is taken (common practice, no
source). ``min_snr`` overrules it."""
MAX_NEIGHBOURS = 6


def search_radius(frame, prediction: Prediction, plate: PlateCheck, fwhm_px: float) -> float:
    """How far to look, arcsec.

    Returns
    -------
    float
        Three sigmas of prediction and clock, the body's motion in a minute, and 1.5 FWHM or 3 arcsec, in
        quadrature; 5 arcsec more where the plate is not checked.
    """
    clock = frame.exposure.clock_sigma_s or 0.0
    rate = 0.0 if not np.isfinite(prediction.rate) else prediction.rate / 3600.0
    sigma = 0.0 if not np.isfinite(prediction.sigma) else prediction.sigma
    parts = [
        max(SEARCH_ARCSEC, SEARCH_FWHM * fwhm_px * frame.pixel_scale),
        3.0 * sigma,
        max(3.0 * clock, CLOCK_ALLOWANCE_S) * rate,
        0.0 if plate.corrected else 5.0,
    ]
    return float(np.sqrt(np.sum(np.square(parts))))


def find_and_fit(
    frame, plate, result, zero: ZeroPoint, trail, search_arcsec, free_trail, pointed, radius_px=None
) -> SourceFit:
    x, y = result.expected_px
    looked, data = plate.survey, frame.data
    psf = looked.psf.at(x, y)
    radius = search_arcsec or search_radius(frame, result.prediction, plate, psf.fwhm)
    if pointed:
        radius = search_arcsec or 1.5 * psf.fwhm * frame.pixel_scale
    result.search_arcsec = radius
    found = search(data, x, y, radius / frame.pixel_scale, psf, trail=trail)
    result.threshold = found.threshold
    result.limit_mag = zero.magnitude(found.flux_limit)[0]
    chosen, blend = _choose(found, plate, psf, trail, zero)
    if chosen is None:
        raise MeasurementError(_not_seen(found, result, radius, blend))
    result.others = tuple(one for one in found.candidates if one is not chosen)
    fit = fit_source(
        data, chosen.x, chosen.y, psf, looked.noise, trail=trail, saturation=looked.saturation,
        neighbours=_neighbours(plate, psf, trail, chosen), free_trail=free_trail, radius=radius_px,
    )  # fmt: skip
    if np.hypot(fit.x - x, fit.y - y) * frame.pixel_scale > radius + psf.fwhm * frame.pixel_scale:
        raise MeasurementError(f"not seen: nearest source lies beyond {radius:.1f} arcsec")
    return fit


def demand(result, plate, fit: SourceFit, min_snr, pointed) -> None:
    """Refuse a source too faint to be told from noise, or from an unlisted source if only its place speaks.

    Raises
    ------
    MeasurementError
        With the reason.
    """
    prediction, sources = result.prediction, len(plate.survey.sources)
    bare = not (np.isfinite(prediction.rate) or np.isfinite(prediction.mag) or pointed)
    if min_snr is None and bare and len(plate.stars) < BARE_LISTED * sources:
        least = BARE_SNR
        why = ", as without motion and magnitude only place tells it from others (min_snr overrules)"
    else:
        least, why = (0.8 * result.threshold if min_snr is None else min_snr), ""
    if fit.snr < least:
        away = float(np.hypot(fit.x - result.expected_px[0], fit.y - result.expected_px[1]))
        raise MeasurementError(
            f"not seen for certain: {fit.snr:.1f} sigma {away * plate.pixel_scale:.1f} arcsec off; "
            f"{least:.1f} are needed{why}"
        )


def _choose(found, plate, psf, trail, zero):
    """The likeliest candidate, and the catalogue star that bars the way where there is one."""
    blend = None
    best, best_score = None, -np.inf
    for one in found.candidates:
        star = star_at(plate, one.x, one.y, psf, trail, zero, found.flux_limit)
        if star is not None:
            blend = star
            continue
        score = -0.5 * (2.5 * one.distance / found.radius) ** 2 + np.log(min(one.snr, 20.0) / found.threshold)
        if score > best_score:
            best, best_score = one, score
    return best, blend


def star_at(plate, x, y, psf, trail: Trail, zero, flux_limit):
    """Name of a catalogue star whose image would stand at a pixel, bright enough to be taken for the body.

    Returns
    -------
    str or None
    """
    stars = plate.field_stars
    if len(stars) == 0:
        return None
    distance = np.hypot(np.asarray(stars["x"]) - x, np.asarray(stars["y"]) - y)
    near = np.flatnonzero(distance < max(0.6 * psf.fwhm, 1.0))
    for i in near:
        if not zero.known or zero.flux(float(stars["g"][i])) > 0.3 * flux_limit:
            return str(stars["name"][i]) or "a catalogue star"
    return None


def _not_seen(found, result, radius, blend) -> str:
    if blend is not None and found.candidates:
        return f"not measured: the source within {radius:.1f} arcsec is the star {blend}"
    words = f"not seen: nothing above {found.threshold:.1f} sigma within {radius:.1f} arcsec"
    if np.isfinite(result.limit_mag):
        words += f" (limit there {result.limit_mag:.1f} mag)"
    return words


def _neighbours(plate, psf, trail: Trail, chosen: Candidate):
    """Detected sources within the stamp that are not the body or a lump of its own trail, nearest first."""
    sources = plate.survey.sources
    if len(sources) == 0:
        return ()
    dx, dy = np.asarray(sources["x"]) - chosen.x, np.asarray(sources["y"]) - chosen.y
    first, last = trail.ends[0, 0], trail.ends[-1, 1]
    step = last - first
    along = np.clip(((dx - first[0]) * step[0] + (dy - first[1]) * step[1]) / max(step @ step, 1e-30), 0, 1)
    off_trail = np.hypot(dx - first[0] - along * step[0], dy - first[1] - along * step[1])
    near = (off_trail > 0.9 * psf.fwhm) & (off_trail < 3.4 * psf.fwhm + 4.0)
    order = np.flatnonzero(near)[np.argsort(off_trail[near])][:MAX_NEIGHBOURS]
    return tuple((float(sources["x"][i]), float(sources["y"][i])) for i in order)
