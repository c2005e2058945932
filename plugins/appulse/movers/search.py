"""What else moves: points of light that shift along a straight line from frame to frame.

The frames are laid on each other and freed of their stars (:mod:`appulse.movers.subtracted`); where that
cannot be done, the lists of their sources are compared instead (:mod:`appulse.movers.listed`).
"""

from dataclasses import dataclass, replace

import numpy as np
from astropy import units as u
from astropy.table import QTable

from appulse.astrometry.prediction import Prediction
from appulse.constants import ARCSEC_PER_RAD
from appulse.errors import InputError, MeasurementError
from appulse.movers.linking import fit_line
from appulse.movers.listed import listed_lines
from appulse.movers.subtracted import search_subtracted
from appulse.numerics.sphere import offsets_rad, radec_from_unit, tangent_axes, unit_from_radec

MIN_FRAMES = 3
MAX_RATE = 600.0
"""Fastest motion that is looked for unless told otherwise, arcsec/h."""
SAME_ARCSEC = 5.0
"""Two lines that pass so near to each other are one mover's."""


@dataclass(frozen=True)
class Mover:
    """Something that moves in a straight line.

    Parameters
    ----------
    ra, dec : float
        Degrees, at the mean time of its sightings.
    rate, motion_pa : float
        arcsec/h and degrees.
    sigma_rate : float
        arcsec/h
    sightings : tuple of (int, float, float)
        Frame's index, x, y (px): of the source, or of the line where the stars are taken off.
    chi2_per_dof : float
    snr : float
        Mean signal to noise of the sightings.
    designation : str
        Of the predicted body that it is; empty for an unknown one.
    own : tuple of (float, float, float, float, float)
        Of one found on star-subtracted frames, for each sighting: x, y and sigma (px), flux and its sigma
        (stored units) as that frame itself shows them once its stars are off.
    """

    ra: float
    dec: float
    rate: float
    motion_pa: float
    sigma_rate: float
    sightings: tuple
    chi2_per_dof: float
    snr: float
    designation: str = ""
    own: tuple = ()


@dataclass(frozen=True)
class MoverSearch:
    """Outcome of a search for movers.

    Parameters
    ----------
    movers : list of Mover
        Surest first.
    method : str
        ``'star-subtracted'`` or ``'lists'``.
    notes : tuple of str
        What limited the search, in words.
    masked_share : float
        Share of the area in which nothing could be seen to move; NaN for the lists.
    """

    movers: list
    method: str
    notes: tuple = ()
    masked_share: float = np.nan


def find_movers(frames, plates, **options) -> list[Mover]:
    """Unknown and known movers across three or more frames of one field.

    Parameters
    ----------
    frames, plates, **options
        As for :func:`search_movers`.

    Returns
    -------
    list of Mover
        Surest first.

    Raises
    ------
    InputError
        With fewer than three frames, or frames of one and the same time.
    """
    return search_movers(frames, plates, **options).movers


def search_movers(frames, plates, *, predicted=None, max_rate: float = MAX_RATE,
                  min_frames: int | None = None, threshold: float = 5.0, method: str = "star-subtracted",
                  progress=None) -> MoverSearch:  # fmt: skip
    """Movers across three or more frames of one field, and how they were looked for.

    Parameters
    ----------
    frames : sequence of SolvedFrame
    plates : sequence of PlateCheck
        Of the same frames: their sources, PSFs and zero points are used.
    predicted : sequence of ephemeris tables, optional
        One per frame: predicted bodies, to be matched to what is found.
    max_rate : float
        arcsec/h
    min_frames : int, optional
        Sightings that make a line; by default three, or half of the frames where there are more than six.
    threshold : float
        Least signal to noise of a sighting. On star-subtracted frames fainter ones (down to three quarters
        of it) count where all frames together show what three sightings at the threshold would.
    method : str
        ``'star-subtracted'``, with the lists of sources where that cannot be done; or ``'lists'``.
    progress : callable, optional
        Wraps a list of frames to show how far the search got.

    Returns
    -------
    MoverSearch

    Raises
    ------
    InputError
        With fewer than three frames, frames of one and the same time, or an unknown method.
    """
    if len(frames) < MIN_FRAMES:
        raise InputError(f"{len(frames)} frames: three or more are needed to tell a mover from noise")
    if method not in ("star-subtracted", "lists"):
        raise InputError(f"method '{method}': 'star-subtracted' or 'lists' is allowed")
    hours = np.array([(f.exposure.mid - frames[0].exposure.mid).to_value("hour") for f in frames])
    if np.ptp(hours) <= 0:
        raise InputError("the frames are all of one time: nothing can be seen to move")
    needed = min_frames or max(MIN_FRAMES, (len(frames) + 1) // 2 if len(frames) > 6 else MIN_FRAMES)
    options = {"max_rate": max_rate, "needed": needed, "threshold": threshold}
    if method == "lists":
        found = _by_lists(frames, plates, hours, options)
    else:
        found = _by_subtraction(frames, plates, hours, options, progress)
    if predicted is None:
        return found
    return replace(found, movers=[_named(m, predicted, hours) for m in found.movers])


def mover_table(movers) -> QTable:
    """Movers as a table: ``designation, ra, dec, rate, motion_pa, sigma_rate, frames, snr, chi2_per_dof``.

    Parameters
    ----------
    movers : sequence of Mover

    Returns
    -------
    QTable

    Examples
    --------
    >>> len(mover_table([Mover(1.0, 2.0, 30.0, 90.0, 0.1, ((0, 1.0, 2.0),), 1.0, 9.0)]))
    1
    """
    rate = u.arcsec / u.hour
    return QTable({
        "designation": [m.designation or "unknown" for m in movers],
        "ra": [m.ra for m in movers] * u.deg, "dec": [m.dec for m in movers] * u.deg,
        "rate": [m.rate for m in movers] * rate, "motion_pa": [m.motion_pa for m in movers] * u.deg,
        "sigma_rate": [m.sigma_rate for m in movers] * rate, "frames": [len(m.sightings) for m in movers],
        "snr": [m.snr for m in movers], "chi2_per_dof": [m.chi2_per_dof for m in movers],
    })  # fmt: skip


def _by_subtraction(frames, plates, hours, options, progress) -> MoverSearch:
    """Star-subtracted frames; of the lists only what saturates, which subtraction has to mask."""
    try:
        found = search_subtracted(frames, plates, hours, progress=progress, **options)
    except MeasurementError as error:
        listed = _by_lists(frames, plates, hours, options)
        why = f"stars not subtracted, lists of sources compared instead: {error}"
        return replace(listed, notes=(why, *listed.notes))
    centre = unit_from_radec(*frames[0].centre)
    movers = [_lit_mover(line, hours, centre) for line in found.lines]
    lines, free, _ = listed_lines(frames, plates, hours, saturated_only=True, **options)
    for line in lines:
        bright = _listed_mover(line, free, hours, centre)
        if not any(_same(bright, one) for one in movers):
            movers.append(bright)
    return MoverSearch(movers, "star-subtracted", found.notes, found.masked_share)


def _by_lists(frames, plates, hours, options) -> MoverSearch:
    lines, free, used = listed_lines(frames, plates, hours, **options)
    centre = unit_from_radec(*frames[0].centre)
    notes = ()
    if used > options["threshold"]:
        notes = (
            f"so many sources that only those above S/N {used:.1f} are tried at up to "
            f"{options['max_rate']:g} arcsec/h: a lower --max-rate or fewer frames go deeper",
        )
    return MoverSearch([_listed_mover(line, free, hours, centre) for line in lines], "lists", notes)


def _same(a: Mover, b: Mover) -> bool:
    apart = offsets_rad(unit_from_radec(a.ra, a.dec), unit_from_radec(b.ra, b.dec))
    return float(ARCSEC_PER_RAD * np.hypot(*apart)) < SAME_ARCSEC


def _listed_mover(line, free, hours, centre) -> Mover:
    members, quality = line
    solution, sigmas, _ = fit_line(members, free, hours)
    sightings = tuple((k, float(free[k][i][4]), float(free[k][i][5])) for k, i in members)
    snr = float(np.mean([free[k][i][3] for k, i in members]))
    return _mover(solution[0], solution[1], float(sigmas[1]), sightings, quality, snr, centre)


def _lit_mover(line, hours, centre) -> Mover:
    frames = [k for k, _, _ in line.sightings]
    place = line.place + line.speed * (float(np.mean(hours[frames])) - line.middle_h)
    rate = float(np.hypot(*line.speed))
    along = line.speed / max(rate, 1e-12)
    sigma = float(np.sqrt(along @ line.covariance[2:, 2:] @ along))
    snr = float(np.nanmean(line.light.snr[frames]))
    mover = _mover(place, line.speed, sigma, line.sightings, line.chi2_per_dof, snr, centre)
    return replace(mover, own=line.own)


def _mover(place, speed, sigma_rate, sightings, quality, snr, centre) -> Mover:
    east, north = tangent_axes(centre)
    ra, dec = radec_from_unit(centre + (place[0] * east + place[1] * north) / ARCSEC_PER_RAD)
    pa = float(np.degrees(np.arctan2(speed[0], speed[1])) % 360.0)
    return Mover(
        float(ra), float(dec), float(np.hypot(*speed)), pa, sigma_rate, sightings, float(quality), snr
    )


def _named(mover: Mover, predicted, hours) -> Mover:
    """Name of the predicted body that stays within 5 arcsec of it and moves alike."""
    k = min((k for k, _, _ in mover.sightings), key=lambda k: abs(hours[k] - np.mean(hours)))
    mean_hours = np.mean([hours[i] for i, _, _ in mover.sightings])
    here = unit_from_radec(mover.ra, mover.dec)
    for row in predicted[k]:
        body = Prediction.from_row(row)
        xi, eta = (ARCSEC_PER_RAD * v for v in offsets_rad(here, unit_from_radec(body.ra, body.dec)))
        moved = np.array([xi, eta]) + np.array([body.ra_rate, body.dec_rate]) * (mean_hours - hours[k])
        pa = np.radians(mover.motion_pa)
        drift = np.hypot(mover.rate * np.sin(pa) - body.ra_rate, mover.rate * np.cos(pa) - body.dec_rate)
        if np.hypot(*moved) < 5.0 + body.rate / 60 and drift < 5 * mover.sigma_rate + 0.05 * body.rate:
            return replace(mover, designation=body.designation)
    return mover
