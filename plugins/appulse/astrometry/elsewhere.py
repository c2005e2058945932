"""Where else a body that is not seen could stand: hours along its track, the other longitude, a wider circle.

Each hit is a question with its remedy, never a residual: what stands there is a source that no list has, and
chance alone hardly puts one there.
"""

import numpy as np

from appulse.astrometry.plate import PlateCheck, ZeroPoint
from appulse.astrometry.prediction import Prediction

HALF_HOURS = 28
"""To 14 hours either way: no time zone is farther from UTC."""
LEAST_ARCSEC, LEAST_FWHM = 3.0, 1.5
CURVE_ARCSEC_H2 = 0.2
"""A straight track leaves the true one by the observer's own turning: about so much at 1 au after an hour."""
LEAST_SNR, WIDE_SNR = 7.0, 10.0
MAG_WITHIN = 1.0
CHANCE = 0.05
"""Hits that an unrelated source makes this often are not told."""
WIDE_SEARCHES = 6.0


def look_elsewhere(frame, plate: PlateCheck, prediction: Prediction, expected, radius_px, zero: ZeroPoint):
    """Questions, likeliest first: what stands where the body would be if time, site or place were wrong."""
    sources = _unlisted(plate, zero, prediction)
    if len(sources) == 0:
        return ()
    per_px = len(sources) / float(np.prod(frame.shape))
    scale, fwhm = plate.pixel_scale, plate.survey.psf.fwhm
    near = max(LEAST_ARCSEC / scale, LEAST_FWHM * fwhm)
    matrix = frame.jacobian(*expected)
    hits = [
        *_along_track(sources, prediction, matrix, expected, near, radius_px, scale, per_px, frame.shape),
        *_other_longitude(sources, prediction, matrix, expected, near, radius_px, per_px),
    ]
    wide = WIDE_SEARCHES * radius_px
    away = np.hypot(sources[:, 0] - expected[0], sources[:, 1] - expected[1])
    around = np.flatnonzero((away < wide) & (away > radius_px) & (sources[:, 2] > WIDE_SNR))
    if not hits and len(around) == 1 and per_px * np.pi * wide**2 < 2 * CHANCE:
        x, y, snr = sources[around[0]]
        hits.append((
            per_px * np.pi * wide**2,
            f"an unlisted source of S/N {snr:.0f} stands {away[around[0]] * scale:.0f} arcsec off, at pixel "
            f"({x:.1f}, {y:.1f}): is it the body, and the orbit old?",
        ))  # fmt: skip
    return tuple(words for _, words in sorted(hits))


def _unlisted(plate: PlateCheck, zero: ZeroPoint, prediction: Prediction) -> np.ndarray:
    """Places and S/N of clear sources that are in no list and about as bright as predicted, shape (n, 3)."""
    table = plate.survey.sources
    if len(table) == 0:
        return np.zeros((0, 3))
    rows = np.column_stack([np.asarray(table[name], dtype=float) for name in ("x", "y", "snr", "flux")])
    rows = rows[rows[:, 2] > LEAST_SNR]
    stars = plate.field_stars
    if len(stars) and len(rows):
        listed = np.column_stack([stars["x"], stars["y"]])
        near = [np.min(np.hypot(*(listed - row[:2]).T)) for row in rows]
        rows = rows[np.array(near) > max(plate.survey.psf.fwhm, 2.0)]
    if zero.known and np.isfinite(prediction.mag) and len(rows):
        with np.errstate(invalid="ignore", divide="ignore"):
            magnitude = zero.value - 2.5 * np.log10(rows[:, 3])
        rows = rows[np.abs(magnitude - prediction.mag) < MAG_WITHIN]
    return rows[:, :3]


def _at(sources, place, reach):
    """S/N of the brightest source within reach of a place; None where there is none."""
    here = np.hypot(sources[:, 0] - place[0], sources[:, 1] - place[1]) < reach
    return float(sources[here, 2].max()) if here.any() else None


def _along_track(sources, prediction, matrix, expected, near, radius_px, scale, per_px, shape):
    """Half hours of motion ahead and behind."""
    if not prediction.rate > 0:
        return
    speed = np.linalg.solve(matrix, [prediction.ra_rate, prediction.dec_rate])  # px/h
    counts = [count for count in range(-HALF_HOURS, HALF_HOURS + 1) if count]
    # Within the radius all was searched already.
    counts = [count for count in counts if np.hypot(*(speed * count / 2)) > radius_px]
    places = {count: expected + speed * count / 2 for count in counts}
    inside = {
        count: place for count, place in places.items()
        if 0 <= place[0] < shape[1] and 0 <= place[1] < shape[0]
    }  # fmt: skip
    for count, place in inside.items():
        hours = count / 2
        reach = near + CURVE_ARCSEC_H2 * hours**2 / scale
        # Every half hour that was tried had its chance.
        snr, chance = _at(sources, place, reach), per_px * np.pi * reach**2 * len(inside)
        if snr is not None and chance < 2 * CHANCE:
            shift = f"{hours:+g}h" if count % 2 == 0 else f"{30 * count:+d}m"
            side = "ahead" if count > 0 else "behind"
            yield chance, (
                f"an unlisted source of S/N {snr:.0f} stands {30 * abs(count)} min of motion {side}: is "
                f"DATE-OBS in local time? --time-shift {shift}"
            )


def _other_longitude(sources, prediction, matrix, expected, near, radius_px, per_px):
    """Where the body is seen from the opposite longitude."""
    parallax, mirror_km = (getattr(prediction, name, None) for name in ("parallax", "mirror_km"))
    if parallax is None or not (np.isfinite(parallax).all() and np.isfinite(mirror_km).all()):
        return
    step = np.linalg.solve(matrix, parallax @ mirror_km)
    if np.hypot(*step) < radius_px:
        return
    snr, chance = _at(sources, expected + step, near), per_px * np.pi * near**2
    if snr is not None and chance < CHANCE:
        yield chance, (
            f"an unlisted source of S/N {snr:.0f} stands where the body is seen from the opposite longitude: "
            "is the site's longitude east-positive? --site LON,LAT,HEIGHT"
        )
