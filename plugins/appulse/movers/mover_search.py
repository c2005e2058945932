"""What else moves: points of light that shift along a straight line from frame to frame, found and measured.

The frames are freed of their stars (:mod:`appulse.movers.difference_search`). Where that cannot be done, and
for what saturates, the lists of their sources are compared instead, the catalogue search: every frame's
sources are held against those of the others; what stays is a star, listed or not; straight lines through the
rest are movers. A mover that stands on a star, or has not left its own place from frame to frame, is not
found that way.
"""

from dataclasses import dataclass, replace

import numpy as np
from astropy import units as u
from astropy.table import MaskedColumn, QTable, Table
from scipy.spatial import cKDTree

from appulse.astrometry import Prediction, measure
from appulse.constants import ARCSEC_PER_RAD
from appulse.errors import AppulseError, InputError, MeasurementError
from appulse.movers.difference_search import difference_search, measure_on_difference
from appulse.movers.linking import (
    MOST_PAIRS,
    area_of,
    bend_sigma,
    candidate_lines,
    choices,
    fit_line,
    pairs_to_try,
    without_shared,
)
from appulse.numerics import offsets_rad, radec_from_unit, tangent_axes, unit_from_radec

MIN_FRAMES = 3
MAX_RATE = 600.0
"""Fastest motion that is looked for by default, arcsec/h."""
SAME_ARCSEC = 5.0
"""Two lines that pass so near to each other are one mover's."""
SAME_SNR = 5.0
"""A source whose signal to noise differs by more between two frames is another one (exposures differ)."""
FALSE_LINES = 0.05
"""Expected number of chance lines that is tolerated in a set of frames."""
DECIMALS = {
    "ra": 7, "dec": 7, "rate": 3, "motion_pa": 2, "sigma_rate": 3, "mag": 2, "sigma_mag": 2, "snr": 1,
    "chi2_per_dof": 2,
}  # fmt: skip
SEEN = ("mover", "designation", "frame", "time", "x", "y", "ra", "dec", "sigma_ra", "sigma_dec", "mag",
        "sigma_mag", "snr", "flag")  # fmt: skip
CONFIRMED = 3
MEDIAN_LOSS = np.sqrt(np.pi / 2)
"""A median of many scatters by so much more than their mean; of one or two it is the mean."""
FAR_SIGMAS, FAR_PX = 5.0, 0.5
"""A fit that lies so far from where the star-subtracted frame shows the mover has found something else."""


@dataclass(frozen=True)
class Mover:
    """Something that moves in a straight line.

    Parameters
    ----------
    ra, dec : float
        Degrees, at the mean time of its detections.
    rate, motion_pa : float
        arcsec/h and degrees.
    sigma_rate : float
        arcsec/h
    detections : tuple of (int, float, float)
        Frame's index, x, y (px): of the source, or of the line where the stars are taken off.
    chi2_per_dof : float
    snr : float
        Mean signal to noise of the detections.
    designation : str
        Of the predicted body that it is; empty for an unknown one.
    own : tuple of (float, float, float, float, float)
        Of one found on star-subtracted frames, for each detection: x, y and sigma (px), flux and its sigma
        (stored units) as that frame itself shows them once its stars are off.
    """

    ra: float
    dec: float
    rate: float
    motion_pa: float
    sigma_rate: float
    detections: tuple
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
        Detections that make a line; by default three, or half of the frames where there are more than six.
    threshold : float
        Least signal to noise of a detection. On star-subtracted frames fainter ones (down to three quarters
        of it) count where all frames together show what three detections at the threshold would.
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
    """Movers as a table: ``designation, ra, dec, rate, motion_pa, sigma_rate, frames, snr, chi2_per_dof``."""
    rate = u.arcsec / u.hour
    return QTable({
        "designation": [m.designation or "unknown" for m in movers],
        "ra": [m.ra for m in movers] * u.deg, "dec": [m.dec for m in movers] * u.deg,
        "rate": [m.rate for m in movers] * rate, "motion_pa": [m.motion_pa for m in movers] * u.deg,
        "sigma_rate": [m.sigma_rate for m in movers] * rate, "frames": [len(m.detections) for m in movers],
        "snr": [m.snr for m in movers], "chi2_per_dof": [m.chi2_per_dof for m in movers],
    })  # fmt: skip


def _by_subtraction(frames, plates, hours, options, progress) -> MoverSearch:
    """Star-subtracted frames; of the lists only what saturates, which subtraction has to mask."""
    try:
        found = difference_search(frames, plates, hours, progress=progress, **options)
    except MeasurementError as error:
        listed = _by_lists(frames, plates, hours, options)
        why = f"stars not subtracted, lists of sources compared instead: {error}"
        return replace(listed, notes=(why, *listed.notes))
    centre = unit_from_radec(*frames[0].centre)
    movers = [_tracklet_mover(line, hours, centre) for line in found.lines]
    lines, free, _ = catalogue_search(frames, plates, hours, saturated_only=True, **options)
    for line in lines:
        bright = _catalogue_mover(line, free, hours, centre)
        if not any(_same(bright, mover) for mover in movers):
            movers.append(bright)
    return MoverSearch(movers, "star-subtracted", found.notes, found.masked_share)


def _by_lists(frames, plates, hours, options) -> MoverSearch:
    lines, free, used = catalogue_search(frames, plates, hours, **options)
    centre = unit_from_radec(*frames[0].centre)
    notes = ()
    if used > options["threshold"]:
        notes = (
            f"so many sources that only those above S/N {used:.1f} are tried at up to "
            f"{options['max_rate']:g} arcsec/h: a lower --max-rate or fewer frames go deeper",
        )
    return MoverSearch([_catalogue_mover(line, free, hours, centre) for line in lines], "lists", notes)


def _same(a: Mover, b: Mover) -> bool:
    apart = offsets_rad(unit_from_radec(a.ra, a.dec), unit_from_radec(b.ra, b.dec))
    return float(ARCSEC_PER_RAD * np.hypot(*apart)) < SAME_ARCSEC


def _catalogue_mover(line, free, hours, centre) -> Mover:
    members, quality = line
    solution, sigmas, _ = fit_line(members, free, hours)
    detections = tuple((k, float(free[k][i][4]), float(free[k][i][5])) for k, i in members)
    snr = float(np.mean([free[k][i][3] for k, i in members]))
    return _mover(solution[0], solution[1], float(sigmas[1]), detections, quality, snr, centre)


def _tracklet_mover(line, hours, centre) -> Mover:
    frames = [k for k, _, _ in line.detections]
    place = line.place + line.speed * (float(np.mean(hours[frames])) - line.middle_h)
    rate = float(np.hypot(*line.speed))
    along = line.speed / max(rate, 1e-12)
    sigma = float(np.sqrt(along @ line.covariance[2:, 2:] @ along))
    snr = float(np.nanmean(line.light.snr[frames]))
    mover = _mover(place, line.speed, sigma, line.detections, line.chi2_per_dof, snr, centre)
    return replace(mover, own=line.own)


def _mover(place, speed, sigma_rate, detections, quality, snr, centre) -> Mover:
    east, north = tangent_axes(centre)
    ra, dec = radec_from_unit(centre + (place[0] * east + place[1] * north) / ARCSEC_PER_RAD)
    pa = float(np.degrees(np.arctan2(speed[0], speed[1])) % 360.0)
    return Mover(
        float(ra), float(dec), float(np.hypot(*speed)), pa, sigma_rate, detections, float(quality), snr
    )


def _named(mover: Mover, predicted, hours) -> Mover:
    """Name of the predicted body that stays within 5 arcsec of it and moves alike."""
    k = min((k for k, _, _ in mover.detections), key=lambda k: abs(hours[k] - np.mean(hours)))
    mean_hours = np.mean([hours[i] for i, _, _ in mover.detections])
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


def catalogue_search(frames, plates, hours, *, max_rate, needed, threshold, saturated_only=False):
    """Lines through the sources that stay nowhere."""
    centre = unit_from_radec(*frames[0].centre)
    free, threshold = _workable(frames, plates, hours, centre, max_rate, threshold, saturated_only)
    lines = candidate_lines(free, hours, max_rate, needed)
    # Most detections first, then the best fit.
    lines.sort(key=lambda line: (-len(line[0]), line[1]))
    return _without_chance(without_shared(lines), free, hours, max_rate), free, threshold


def _workable(frames, plates, hours, centre, max_rate, threshold, saturated_only):
    """Sources that stay nowhere, at a threshold at which their pairs can be gone through."""
    while True:
        seen = [_sources(f, p, centre, threshold) for f, p in zip(frames, plates, strict=True)]
        free = [s[_not_stationary(k, seen)] for k, s in enumerate(seen)]
        if saturated_only:
            free = [s[s[:, 6] > 0] for s in free]
        if pairs_to_try(free, hours, max_rate) <= MOST_PAIRS:
            return free, threshold
        threshold *= 1.15


def _sources(frame, plate, centre, threshold) -> np.ndarray:
    """Sources as rows (xi, eta in arcsec, sigma, snr, x, y, saturated), the plate's zero point off."""
    table = plate.survey.sources
    table = table[np.asarray(table["snr"]) >= threshold]
    if len(table) == 0:
        return np.zeros((0, 7))
    x, y = np.asarray(table["x"]), np.asarray(table["y"])
    xi, eta = (ARCSEC_PER_RAD * v for v in offsets_rad(centre, unit_from_radec(*frame.to_sky(x, y))))
    if plate.corrected:
        shift = plate.model.terms(x, y) @ np.stack([plate.model.east, plate.model.north], axis=1)
        xi, eta = xi - shift[:, 0], eta - shift[:, 1]
    # The detection's own place: noise as of a fit, and a tenth of a pixel for its parabola.
    px = np.hypot(1.5 * plate.survey.psf.fwhm / 2.355 / np.asarray(table["snr"]), 0.1)
    full = plate.survey.saturation
    top = np.asarray(table["peak"]) + plate.survey.sky.at(x, y)
    saturated = np.zeros(len(x)) if full is None else (top >= 0.95 * full).astype(float)
    rows = np.stack([xi, eta, px * frame.pixel_scale, np.asarray(table["snr"]), x, y, saturated], axis=1)
    # Some plate solutions leave parts of their frame without a place on the sky.
    return rows[np.isfinite(rows).all(axis=1)]


def _not_stationary(k, seen) -> np.ndarray:
    """Sources of frame k that no other frame shows at the same place and about as bright."""
    mine = seen[k]
    free = np.ones(len(mine), bool)
    for j, other in enumerate(seen):
        if j == k or len(other) == 0 or len(mine) == 0:
            continue
        distance, partner = cKDTree(other[:, :2]).query(mine[:, :2])
        # A bright mover that passes over a faint star is not that star.
        alike = np.abs(np.log(mine[:, 3] / other[partner, 3])) < np.log(SAME_SNR)
        free &= ~alike | (distance > 4.0 * np.hypot(mine[:, 2], other[partner, 2]))
    return free


def _without_chance(lines, free, hours, max_rate):
    """Drop lines of so few detections that unrelated sources make that many by luck."""
    kept = []
    area = max(area_of(free), 1.0)
    for members, quality in lines:
        # Only sources about as bright could have made such a line: the faint crowd could not.
        faintest = min(free[k][i][3] for k, i in members) / 1.5
        counts = np.array([np.sum(f[:, 3] >= faintest) for f in free])
        frames = sorted({k for k, _ in members}, key=lambda k: hours[k])
        a, b = frames[0], frames[-1]
        pairs = counts[a] * counts[b] * min(1.0, np.pi * (max_rate * (hours[b] - hours[a])) ** 2 / area)
        chance = pairs
        for k in frames[1:-1]:
            reach = 3.5 * np.hypot(np.median(free[k][:, 2]) * 1.3, bend_sigma(hours, k, a, b))
            chance *= min(1.0, counts[k] * np.pi * reach**2 / area)
        # Frames in which it was not seen give luck more ways to choose.
        ways = choices(len(free), len(frames))
        if chance * ways < FALSE_LINES:
            kept.append((members, quality))
    return kept


def measure_detections(mover, frames, plates) -> tuple[list, tuple]:
    """Each detection of a mover measured.

    A careful fit on the frame, with the trail that the motion makes; where that fails, or finds the star that
    the mover stands on, what the star-subtracted frame shows.

    Parameters
    ----------
    mover : Mover
    frames : list of SolvedFrame
    plates : list of PlateCheck

    Returns
    -------
    measured : list of (int, Residual)
        Frame's index and what was measured.
    failed : tuple of str
        A line for every detection that could not be measured.
    """
    measured, failed = [], []
    for number, (k, x, y) in enumerate(mover.detections):
        frame, expected = frames[k], _expected(mover, frames[k], x, y)
        own = mover.own[number] if mover.own else None
        try:
            plate = replace(plates[k], survey=plates[k].survey.with_pixels(frame))
            residual = measure(frame, expected, plate, at_pixel=(x, y) if own is None else own[:2])
            if own is not None and not _same_dot(residual, own):
                residual = measure_on_difference(frame, expected, plates[k], own)
            measured.append((k, residual))
        except AppulseError as error:
            failed.append(f"{frame.name}: {error}")
        frame.release()
    return measured, tuple(failed)


def _same_dot(residual, own) -> bool:
    """Whether a fit stands where the star-subtracted frame has its light, and is as bright."""
    if not residual.seen:
        return False
    x, y, sigma, flux, flux_sigma = own
    near = np.hypot(residual.x - x, residual.y - y) < FAR_SIGMAS * sigma + FAR_PX
    # Twice the light is the star that the mover stands on.
    return bool(near and residual.fit.flux < 2.0 * flux + FAR_SIGMAS * flux_sigma)


def confirmed(movers, seen):
    """Those that a careful fit shows on three frames, where star lists alone speak: a nebula has knots.

    Parameters
    ----------
    movers : list of Mover
    seen : list of list of (int, Residual)

    Returns
    -------
    movers, seen
        What is left of both.
    """
    kept = [
        (mover, found)
        for mover, found in zip(movers, seen, strict=True)
        if mover.designation or mover.own or sum(residual.seen for _, residual in found) >= CONFIRMED
    ]
    return [mover for mover, _ in kept], [found for _, found in kept]


def _expected(mover, frame, x, y):
    """A prediction at a detection with the mover's own motion, for the shape of its trail."""
    ra, dec = (float(v) for v in frame.to_sky(x, y))
    pa = np.radians(mover.motion_pa)
    return Prediction(
        mover.designation or "unknown", ra, dec, mover.rate * np.sin(pa), mover.rate * np.cos(pa)
    )


def movers_table(movers, seen, frames):
    """Movers with magnitudes and the names of their frames.

    Parameters
    ----------
    movers : list of Mover
    seen : list of list of (int, Residual)
    frames : list of SolvedFrame

    Returns
    -------
    Table
        Columns of :func:`appulse.movers.mover_search.mover_table`, and ``mover`` (a number), ``mag``,
        ``sigma_mag`` (masked where unknown) and ``seen_on``.
    """
    table = Table(mover_table(movers))
    table.add_column(np.arange(1, len(movers) + 1), 0, "mover")
    light = np.array([_brightness(found) for found in seen], dtype=float).reshape(-1, 2)
    for k, name in enumerate(("mag", "sigma_mag")):
        unknown = ~np.isfinite(light[:, k])
        table[name] = MaskedColumn(np.where(unknown, 0.0, light[:, k]), mask=unknown, unit="mag")
    table["seen_on"] = [" ".join(frames[k].name for k, _, _ in mover.detections) for mover in movers]
    for name, decimals in DECIMALS.items():
        if len(table):
            table[name][:] = np.round(table[name], decimals)
    return table


def _brightness(found) -> tuple[float, float]:
    """Median magnitude of the detections and its error from their scatter and sigmas."""
    known = np.array([(r.mag_obs, r.sigma_mag) for _, r in found if np.isfinite(r.mag_obs)]).reshape(-1, 2)
    if not len(known):
        return np.nan, np.nan
    values, sigmas = known.T
    scatter = float(np.std(values, ddof=1)) if len(values) > 1 else 0.0
    # A body turns: what its magnitudes scatter by counts where it exceeds their own errors.
    sigma = max(scatter, float(np.median(sigmas))) / len(values) ** 0.5
    return float(np.median(values)), sigma * (MEDIAN_LOSS if len(values) > 2 else 1.0)


def detections_table(movers, seen):
    """Every detection, plate-corrected where stars allowed.

    Parameters
    ----------
    movers : list of Mover
    seen : list of list of (int, Residual)

    Returns
    -------
    Table
    """
    rows = []
    for number, (mover, found) in enumerate(zip(movers, seen, strict=True), start=1):
        for _, r in found:
            ra, dec, sigma = _place(r)
            head = (number, mover.designation or "unknown", r.frame, r.time, r.x, r.y)
            rows.append((*head, ra, dec, *sigma, r.mag_obs, r.sigma_mag, r.snr, r.flag))
    table = Table()
    units = {"x": "pix", "y": "pix", "ra": "deg", "dec": "deg", "sigma_ra": "arcsec", "sigma_dec": "arcsec",
             "mag": "mag", "sigma_mag": "mag"}  # fmt: skip
    for k, name in enumerate(SEEN):
        values = [row[k] for row in rows]
        if name in ("designation", "frame", "time", "flag"):
            table[name] = np.array(values, dtype=str)
        elif name == "mover":
            table[name] = np.array(values, dtype=int)
        else:
            numbers = np.array(values, dtype=float)
            gone = ~np.isfinite(numbers)
            numbers = np.round(np.where(gone, 0.0, numbers), 8 if name in ("ra", "dec") else 4)
            table[name] = MaskedColumn(numbers, mask=gone, unit=units.get(name))
    return table


def _place(residual):
    """RA, Dec and their sigmas (arcsec), the plate's zero point off where it is known."""
    if not np.isfinite(residual.plate_offset).all():
        return residual.ra_obs, residual.dec_obs, residual.sigma_sky
    east, north = residual.plate_offset
    sigma = np.sqrt(np.diag(residual.covariance + residual.plate_covariance))
    ra = residual.ra_obs - east / 3600 / np.cos(np.radians(residual.dec_obs))
    return ra, residual.dec_obs - north / 3600, tuple(sigma)
