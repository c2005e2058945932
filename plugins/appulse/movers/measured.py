"""Movers measured: every sighting with its place and light, and the tables of both."""

import numpy as np
from astropy.table import MaskedColumn, Table

from appulse.astrometry.prediction import Prediction
from appulse.astrometry.residual import measure
from appulse.errors import AppulseError
from appulse.movers.search import mover_table
from appulse.movers.subtracted import measure_subtracted

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


def measure_sightings(mover, frames, plates, failed) -> list:
    """Each sighting measured.

    A careful fit on the frame, with the trail that the motion makes; where that fails, or finds the star that
    the mover stands on, what the star-subtracted frame shows.

    Parameters
    ----------
    mover : Mover
    frames : list of SolvedFrame
    plates : list of PlateCheck
    failed : list of str
        Takes a line for every sighting that could not be measured.

    Returns
    -------
    list of (int, Residual)
        Frame's index and what was measured.
    """
    found = []
    for number, (k, x, y) in enumerate(mover.sightings):
        frame, expected = frames[k], _expected(mover, frames[k], x, y)
        own = mover.own[number] if mover.own else None
        try:
            at = (x, y) if own is None else own[:2]
            one = measure(frame, expected, plates[k], at_pixel=at)
            if own is not None and not _same_dot(one, own):
                one = measure_subtracted(frame, expected, plates[k], own)
            found.append((k, one))
        except AppulseError as error:
            failed.append(f"{frame.name}: {error}")
        frame.release()
    return found


def _same_dot(one, own) -> bool:
    """Whether a fit stands where the star-subtracted frame has its light, and is as bright."""
    if not one.seen:
        return False
    x, y, sigma, flux, flux_sigma = own
    near = np.hypot(one.x - x, one.y - y) < FAR_SIGMAS * sigma + FAR_PX
    return bool(near and one.fit.flux < 2.0 * flux + FAR_SIGMAS * flux_sigma)


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
        if mover.designation or mover.own or sum(one.seen for _, one in found) >= CONFIRMED
    ]
    return [mover for mover, _ in kept], [found for _, found in kept]


def _expected(mover, frame, x, y):
    """A prediction at a sighting with the mover's own motion, for the shape of its trail."""
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
        Columns of :func:`appulse.movers.search.mover_table`, and ``mover`` (a number), ``mag``,
        ``sigma_mag`` (masked where unknown) and ``seen_on``.
    """
    table = Table(mover_table(movers))
    table.add_column(np.arange(1, len(movers) + 1), 0, "mover")
    light = np.array([_brightness(found) for found in seen], dtype=float).reshape(-1, 2)
    for k, name in enumerate(("mag", "sigma_mag")):
        unknown = ~np.isfinite(light[:, k])
        table[name] = MaskedColumn(np.where(unknown, 0.0, light[:, k]), mask=unknown, unit="mag")
    table["seen_on"] = [" ".join(frames[k].name for k, _, _ in one.sightings) for one in movers]
    for name, decimals in DECIMALS.items():
        if len(table):
            table[name][:] = np.round(table[name], decimals)
    return table


def _brightness(found) -> tuple[float, float]:
    """Median magnitude of the sightings and its error from their scatter and sigmas."""
    values = np.array([one.mag_obs for _, one in found if np.isfinite(one.mag_obs)])
    if not len(values):
        return np.nan, np.nan
    sigmas = np.array([one.sigma_mag for _, one in found if np.isfinite(one.mag_obs)])
    scatter = float(np.std(values, ddof=1)) if len(values) > 1 else 0.0
    sigma = max(scatter, float(np.median(sigmas))) / len(values) ** 0.5
    return float(np.median(values)), sigma * (MEDIAN_LOSS if len(values) > 2 else 1.0)


def sightings_table(movers, seen):
    """Every sighting, the plate's offset taken off where stars allowed.

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
        for _, one in found:
            ra, dec, sigma = _place(one)
            head = (number, mover.designation or "unknown", one.frame, one.time)
            rows.append((*head, one.x, one.y, ra, dec, *sigma, one.mag_obs, one.sigma_mag, one.snr, one.flag))
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


def _place(one):
    if not np.isfinite(one.plate_offset).all():
        return one.ra_obs, one.dec_obs, one.sigma_sky
    east, north = one.plate_offset
    sigma = np.sqrt(np.diag(one.covariance + one.plate_covariance))
    return (
        one.ra_obs - east / 3600 / np.cos(np.radians(one.dec_obs)),
        one.dec_obs - north / 3600,
        tuple(sigma),
    )
