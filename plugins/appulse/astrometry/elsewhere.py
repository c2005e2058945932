"""Where else a body could stand: hours along its track, the other longitude, a wider circle.

A frame says of each such place what stands there, in odds against chance; the frames of a night multiply::

    o  o          unlisted sources of a frame, so many to a pixel
      .  ->  .    the body's place after half hours of motion, and as seen from the opposite longitude
         o(.)     a source within what place and curve leave open: its density there over theirs

One frame asks, with the remedy; only a night's frames together say that it is so.
"""

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from appulse.astrometry.plate import PlateCheck, ZeroPoint
from appulse.astrometry.prediction import Prediction
from appulse.constants import ARCSEC_PER_RAD
from appulse.numerics import offsets_rad, unit_from_radec

HALF_HOURS = 28
"""To 14 hours either way: no time zone is farther from UTC."""
HALF_HOUR_SHARE = 0.1
"""Time zones that differ from UTC by half hours, against those of whole hours."""
LEAST_ARCSEC, LEAST_FWHM, NEAR_S = 3.0, 0.3, 15.0
"""How far from its place it may stand: by a wrong orbit, by the fit, by a clock's own error, s."""
CURVE_ARCSEC_H2 = 0.2
"""A straight track leaves the true one by the observer's own turning: about so much at 1 au after an hour."""
SHOWS = 0.7
"""Chance that a body that stands there is among the clear sources of the frame."""
LEAST_SNR, WIDE_SNR = 7.0, 10.0
MAG_WITHIN = 1.0
CHANCE = 0.1
"""A wider circle that holds an unrelated source this often says nothing."""
WIDE_SEARCHES = 6.0
HOUR_ODDS, LONGITUDE_ODDS = 0.3, 0.03
"""Of a body that is not at its place: an hour's error, a longitude of the wrong sign (common practice, no
source)."""
ASKED_ODDS = 1.0
"""A question is asked from these odds on; it accuses nobody."""
RIVAL = 3.0
STILL_ARCSEC = 2.5
"""Sources of two frames that lie nearer may be one star that stands still."""
LONGITUDE_PLACE = 0
"""Half hours of the place seen from the opposite longitude."""


@dataclass(frozen=True)
class OtherPlace:
    """A place on a frame where the body would stand if something were wrong, and what stands there."""

    half_hours: int  # of motion ahead; LONGITUDE_PLACE: at the opposite longitude
    log_ratio: float  # log of the odds that what is there speaks for the body against chance
    snr: float = np.nan  # of the source there; NaN: none
    sky: tuple[float, float] = (np.nan, np.nan)  # of the source, degrees

    @property
    def words(self) -> str:
        """The question, with its remedy."""
        what = f"an unlisted source of S/N {self.snr:.0f} stands"
        if self.half_hours == LONGITUDE_PLACE:
            return (
                f"{what} where the body is seen from the opposite longitude: is the site's longitude "
                "east-positive? --site LON,LAT,HEIGHT"
            )
        side = "ahead" if self.half_hours > 0 else "behind"
        return (
            f"{what} {30 * abs(self.half_hours)} min of motion {side}: is DATE-OBS in local time? "
            f"--time-shift {time_shift(self.half_hours)}"
        )


def time_shift(half_hours: int) -> str:
    """So many half hours as an option takes them."""
    return f"{30 * half_hours:+d}m" if half_hours % 2 else f"{half_hours // 2:+d}h"


def prior_odds(places) -> dict[int, float]:
    """Odds of each place, by half hours, before anything was seen there."""
    keys = {place.half_hours for place in places}
    shares = {key: HALF_HOUR_SHARE if key % 2 else 1.0 for key in keys - {LONGITUDE_PLACE}}
    found = {key: HOUR_ODDS * share / sum(shares.values()) for key, share in shares.items()}
    return found | {LONGITUDE_PLACE: LONGITUDE_ODDS}


def look_elsewhere(
    frame, plate: PlateCheck, prediction: Prediction, expected, radius_px, zero: ZeroPoint
) -> tuple[tuple[OtherPlace, ...], str]:
    """What stands at the other places that this frame holds, and a question about a wider circle or ''."""
    sources = _unlisted(plate, zero, prediction)
    away = np.hypot(sources[:, 0] - expected[0], sources[:, 1] - expected[1])
    beyond = away > radius_px - plate.survey.psf.fwhm
    sources, away = sources[beyond], away[beyond]
    per_px = max(len(sources), 1) / float(np.prod(frame.shape))
    steps = list(_steps(prediction, frame.jacobian(*expected), radius_px))
    places = tuple(
        _what_stands(frame, sources, expected + step, half_hours, near, wide, per_px)
        for half_hours, step, near, wide in _with_reach(steps, prediction, plate)
        if 0 <= expected[0] + step[0] < frame.shape[1] and 0 <= expected[1] + step[1] < frame.shape[0]
    )
    wide = WIDE_SEARCHES * radius_px
    around = np.flatnonzero((away > radius_px) & (away < wide) & (sources[:, 2] > WIDE_SNR))
    if len(around) != 1 or per_px * np.pi * wide**2 > CHANCE:
        return places, ""
    x, y, snr = sources[around[0]]
    return places, (
        f"an unlisted source of S/N {snr:.0f} stands {away[around[0]] * plate.pixel_scale:.0f} arcsec off, "
        f"at pixel ({x:.1f}, {y:.1f}): is it the body, and the orbit old?"
    )


def question(places) -> str:
    """What one frame asks: its likeliest place where something stands; '' where none is likely."""
    priors = prior_odds(places)
    hits = [place for place in places if np.isfinite(place.snr)]
    odds = {place: priors[place.half_hours] * np.exp(place.log_ratio) for place in hits}
    best = max(odds, key=odds.get, default=None)
    return best.words if best is not None and odds[best] > ASKED_ODDS else ""


def over_frames(residuals) -> dict[int, float]:
    """Log of the odds of each other place against chance, by half hours, of all residuals given.

    A source that stands still is met by chance once, on however many frames: only the first counts.
    """
    total: dict[int, float] = {}
    met: dict[int, list] = {}
    for residual in residuals:
        for place in residual.elsewhere:
            log_ratio, key = place.log_ratio, place.half_hours
            if np.isfinite(place.snr):
                if any(_apart(place.sky, other) < STILL_ARCSEC for other in met.get(key, ())):
                    log_ratio = min(log_ratio, 0.0)
                met.setdefault(key, []).append(place.sky)
            total[key] = total.get(key, 0.0) + log_ratio
    return total


def night_questions(residuals) -> list[tuple[list[str], str]]:
    """Frames with the question that they share: of bodies that do not show, likeliest first."""
    lost = [residual for residual in residuals if not residual.seen]
    places = [place for residual in lost for place in residual.elsewhere]
    odds, priors = over_frames(lost), prior_odds(places)
    found, best = [], 0.0
    for key in sorted(odds, key=lambda key: -odds[key]):
        log_odds = odds[key] + np.log(priors[key])
        # One light answers to neighbouring hours of a slow body: the others are asked about where they rival.
        best = log_odds if not found else best
        if log_odds > max(np.log(ASKED_ODDS), best - RIVAL):
            hits = [
                (residual.frame, place)
                for residual in lost
                for place in residual.elsewhere
                if place.half_hours == key and np.isfinite(place.snr)
            ]
            if hits:
                found.append((list(dict.fromkeys(frame for frame, _ in hits)), hits[0][1].words))
    return found


def _apart(one, other) -> float:
    """Arcsec between two places of the sky in degrees."""
    step = offsets_rad(unit_from_radec(*one), unit_from_radec(*other))
    return float(np.hypot(*step)) * ARCSEC_PER_RAD


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
        listed = listed[np.isfinite(listed).all(axis=1)]
        if len(listed):
            rows = rows[cKDTree(listed).query(rows[:, :2])[0] > max(plate.survey.psf.fwhm, 2.0)]
    if zero.known and np.isfinite(prediction.mag) and len(rows):
        with np.errstate(invalid="ignore", divide="ignore"):
            magnitude = zero.value - 2.5 * np.log10(rows[:, 3])
        rows = rows[np.abs(magnitude - prediction.mag) < MAG_WITHIN]
    return rows[:, :3]


def _steps(prediction: Prediction, matrix, radius_px):
    """Half hours and steps in px to the other places, beyond what was searched already."""
    if prediction.rate > 0:
        speed = np.linalg.solve(matrix, [prediction.ra_rate, prediction.dec_rate])  # px/h
        for half_hours in range(-HALF_HOURS, HALF_HOURS + 1):
            if np.hypot(*(speed * half_hours / 2)) > radius_px:
                yield half_hours, speed * half_hours / 2
    parallax, mirror_km = prediction.parallax, prediction.mirror_km
    if np.isfinite(parallax).all() and np.isfinite(mirror_km).all():
        step = np.linalg.solve(matrix, parallax @ mirror_km)
        if np.hypot(*step) > radius_px:
            yield LONGITUDE_PLACE, step


def _with_reach(steps, prediction: Prediction, plate: PlateCheck):
    """Steps with one sigma of the place there, px: where orbit and clock are good, and where they are not."""
    scale, fwhm = plate.pixel_scale, plate.survey.psf.fwhm
    sigma = np.nan_to_num(prediction.sigma)
    rate = np.nan_to_num(prediction.rate) / 3600.0
    curve = CURVE_ARCSEC_H2 / max(np.nan_to_num(prediction.delta, nan=1.0), 0.01)
    for half_hours, step in steps:
        bend = curve * (half_hours / 2) ** 2
        near = np.sqrt((LEAST_FWHM * fwhm * scale) ** 2 + sigma**2 + (NEAR_S * rate) ** 2 + (bend / 4) ** 2)
        yield half_hours, step, near / scale, np.hypot(near, LEAST_ARCSEC + bend) / scale


def _what_stands(frame, sources, place, half_hours, near, wide, per_px) -> OtherPlace:
    """The source that speaks loudest for the body at a place, or that none does."""
    miss = float(np.log(1.0 - SHOWS))
    if len(sources) == 0:
        return OtherPlace(half_hours, miss)
    away2 = (sources[:, 0] - place[0]) ** 2 + (sources[:, 1] - place[1]) ** 2
    density = sum(0.5 * np.exp(-0.5 * away2 / s**2) / (2 * np.pi * s**2) for s in (near, wide))
    best = int(np.argmax(density))
    log_ratio = float(np.log(1.0 - SHOWS + SHOWS * density[best] / per_px))
    if log_ratio < 0.0:
        return OtherPlace(half_hours, max(log_ratio, miss))
    x, y, snr = sources[best]
    return OtherPlace(half_hours, log_ratio, float(snr), tuple(float(v) for v in frame.to_sky(x, y)))
