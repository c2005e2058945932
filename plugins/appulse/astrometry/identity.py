"""Is it the body? Its brightness, what else could stand there, and what would have shown there."""

from dataclasses import dataclass

import numpy as np
from astropy.table import Table

from appulse.astrometry.plate import zero_point
from appulse.astrometry.prediction import Prediction
from appulse.constants import ARCSEC_PER_RAD
from appulse.errors import MeasurementError
from appulse.numerics import separation_rad, unit_from_radec

PREDICTED_MAG_SIGMA = 0.3
"""Error of a predicted magnitude: light curve, slope and colour together (common practice, no source)."""


@dataclass(frozen=True)
class Identity:
    """What speaks for and against the measured dot being the body.

    Parameters
    ----------
    others : Table
        Within reach of the measured (or, where not seen, expected) place, nearest first: ``kind`` ('body',
        'star', 'object', 'source'), ``name, separation`` (arcsec), ``mag`` (NaN where unknown), ``words``.
    magnitude_difference, magnitude_sigma : float
        Measured minus predicted; NaN where one of them is unknown.
    limit_mag : float
        What would just have been seen there.
    sentence : str
    """

    others: Table
    magnitude_difference: float
    magnitude_sigma: float
    limit_mag: float
    sentence: str


def identify(residual, *, predictions=(), objects=(), reach_arcsec: float | None = None) -> Identity:
    """List what else could be the dot, and hold its brightness against the prediction.

    Parameters
    ----------
    residual : Residual
        Measured or not seen; with its plate check.
    predictions : sequence of ephemeris rows
        Other known bodies at the time of the frame.
    objects : sequence of Outline
        Catalogue objects; one counts when the place lies within its larger radius.
    reach_arcsec : float, optional
        By default what was searched, and at least 5 arcsec.

    Returns
    -------
    Identity

    Raises
    ------
    MeasurementError
        If `reach_arcsec` is farther than the residual knows its surroundings.
    """
    ra, dec, x, y = _place(residual)
    reach = reach_arcsec or max(5.0, np.nan_to_num(residual.search_arcsec, nan=5.0))
    _refuse_unknown(residual, x, y, reach)
    rows = [*_bodies_near(residual, predictions, ra, dec, reach), *_objects_near(objects, ra, dec, reach)]
    rows += _stars_near(residual, x, y, reach)
    rows.sort(key=lambda row: row[2])
    names = ("kind", "name", "separation", "mag", "words")
    others = Table(rows=rows or None, names=names, dtype=None if rows else (str, str, float, float, str))
    others["separation"].unit = "arcsec"
    difference = residual.mag_obs - residual.prediction.mag
    sigma = float(np.hypot(residual.sigma_mag, PREDICTED_MAG_SIGMA))
    words = _sentence(residual, rows, difference, sigma, reach)
    return Identity(others, float(difference), sigma, residual.limit_mag, words)


def _refuse_unknown(residual, x, y, reach) -> None:
    """A residual keeps its surroundings only: farther off nothing is known, and nothing may be claimed."""
    plate = residual.plate
    if plate is None or not np.isfinite(plate.reach_px):
        return
    off = np.nan_to_num(np.hypot(x - residual.expected_px[0], y - residual.expected_px[1]))
    known = (plate.reach_px - off) * plate.pixel_scale
    if reach > known:
        raise MeasurementError(
            f"reach {reach:g} arcsec: sources within {known:.0f} arcsec are known; ask for no more than that"
        )


def _place(residual):
    """Sky and pixel of the measured place, or of the one where nothing was found."""
    if residual.seen:
        return residual.ra_obs, residual.dec_obs, residual.x, residual.y
    return residual.prediction.ra, residual.prediction.dec, *residual.expected_px


def _separation(ra1, dec1, ra2, dec2) -> float:
    """Arcsec between two places."""
    a, b = unit_from_radec(ra1, dec1), unit_from_radec(ra2, dec2)
    return float(separation_rad(a, b)) * ARCSEC_PER_RAD


def _bodies_near(residual, predictions, ra, dec, reach):
    """Other known bodies, within three sigmas of their own predictions."""
    for row in predictions:
        body = Prediction.from_row(row)
        away = _separation(ra, dec, body.ra, body.dec)
        if body.designation != residual.designation and away <= reach + 3 * np.nan_to_num(body.sigma):
            yield "body", body.designation, away, body.mag, f"moves at {body.rate:.1f} arcsec/h"


#: How the remark on an object ends within whose image the place lies.
ON_IT = "the place lies on it"


def _objects_near(objects, ra, dec, reach):
    """Deep-sky objects on or beside whose image the place lies."""
    for outline in objects:
        away = _separation(ra, dec, outline.ra, outline.dec)
        radius = 30.0 * np.nan_to_num(outline.major_arcmin) if outline.major_arcmin else 0.0
        if away <= max(reach, radius):
            inside = ON_IT if radius > away else "beside it"
            magnitude = np.nan if outline.mag is None else float(outline.mag)
            yield "object", outline.name, away, magnitude, f"{outline.object_type}: {inside}"


def _stars_near(residual, x, y, reach):
    """Listed stars, and unlisted sources that are neither the body nor one of those stars."""
    plate = residual.plate
    if plate is None:
        return []
    scale, rows = plate.pixel_scale, []
    stars = plate.field_stars
    listed = np.zeros((0, 2))
    if len(stars):
        listed = np.column_stack([stars["x"], stars["y"]])
        away = np.hypot(*(listed - [x, y]).T) * scale
        rows = [
            ("star", str(stars["name"][i]), float(away[i]), float(stars["g"][i]), f"in {plate.catalogue}")
            for i in np.flatnonzero(away <= reach)
        ]
    sources, zero = plate.survey.sources, zero_point(plate)
    # A star's wings, a trail's lumps: what lies within 1.5 FWHM of a known image is that image.
    own = 1.5 * plate.survey.psf.fwhm
    for source in sources[np.hypot(sources["x"] - x, sources["y"] - y) * scale <= reach]:
        here = np.array([source["x"], source["y"]])
        is_star = len(listed) and np.min(np.hypot(*(listed - here).T)) < own
        away = float(np.hypot(*(here - [x, y])))
        if not is_star and not (residual.seen and away < own):
            magnitude = zero.magnitude(float(source["flux"]))[0]
            rows.append(("source", "unlisted", away * scale, magnitude, f"{source['snr']:.0f} sigma"))
    return rows


def _sentence(residual, rows, difference, sigma, reach) -> str:
    """What speaks for and against, in words."""
    name = residual.label
    if residual.seen:
        words = [f"{name} was measured"]
        if np.isfinite(difference):
            other = "brighter than predicted" if difference < 0 else "not as bright as predicted"
            fits = "as bright as predicted" if abs(difference) < 3 * sigma else other
            words.append(f"it is {fits} ({difference:+.2f} ± {sigma:.2f} mag)")
    else:
        words = [f"{name} was not measured ({residual.flag})"]
        if np.isfinite(residual.limit_mag) and np.isfinite(residual.prediction.mag):
            room = residual.limit_mag - residual.prediction.mag
            meaning = (
                "it should have shown" if room > 3 * PREDICTED_MAG_SIGMA else "it may be too faint to show"
            )
            words.append(f"with a limit of {residual.limit_mag:.1f} mag there {meaning}")
    # an extended object lies around the place, however far its middle is
    dots = [row for row in rows if not row[4].endswith(ON_IT)]
    if dots:
        kind, other, away, _, _ = dots[0]
        words.append(
            f"within {reach:.1f} arcsec: {len(dots)} other, nearest the {kind} {other} at {away:.1f}"
        )
    else:
        words.append(f"nothing else is known within {reach:.1f} arcsec")
    if around := [row[1] for row in rows if row not in dots]:
        words.append(f"the place is within the larger radius of {', '.join(around)}")
    return "; ".join(words) + "."
