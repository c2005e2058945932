"""Residuals of observations without frames: measured places from a file against any ephemeris."""

import numpy as np
from astropy import units as u

from appulse.astrometry.prediction import Prediction, cell
from appulse.astrometry.residual import Residual
from appulse.constants import ARCSEC_PER_RAD
from appulse.errors import InputError
from appulse.numerics import offsets_rad, separation_rad, unit_from_radec
from appulse.observers import Site, SpacecraftVector

FARTHEST_DEG = 10.0
"""From the predicted place: beyond it the tangent plane ends, and no orbit worth an O-C errs so much."""
DEFAULT_SIGMA_ARCSEC = 0.5
"""Taken where an observation states no error, per axis (common practice, no source)."""


def observation_residuals(observations, ephemeris, *, body: str | None = None,
                          sigma_arcsec: float = DEFAULT_SIGMA_ARCSEC) -> list[Residual]:  # fmt: skip
    """O-C of observations.

    Parameters
    ----------
    observations : Table
        From :func:`appulse.formats.observation_table.read_observations`.
    ephemeris : object with ``at(times, observer, bodies=...)``
        Any source of places of :mod:`appulse.bodies.ephemeris`.
    body : str, optional
        All observations are of this body, whatever the file calls it.
    sigma_arcsec : float
        Error per axis of observations that state none.

    Returns
    -------
    list of Residual
        One for each observation, in the file's order. One whose place of observation is not known, or
        that lies over 10 degrees from the predicted place, is flagged and has no numbers. `frame` holds the
        file's name and the number of the observation.

    Raises
    ------
    DesignationError
        If a body of the file is not in the ephemeris: give `body`.
    EphemerisSpanError
        If the ephemeris does not reach a time.
    """
    name = str(observations.meta.get("file", "observations"))
    found: list[Residual | None] = [None] * len(observations)
    for rows, observer, designation in _groups(observations, body):
        if isinstance(observer, str):
            for i in rows:
                found[i] = _flagged(observations[i], f"{name}#{i + 1}", designation, observer)
            continue
        table = ephemeris.at(observations["time"][rows], observer, bodies=[designation])
        for i, row in zip(rows, table, strict=True):
            prediction = Prediction.from_row(row).seen_from(observer, observations[i]["time"])
            found[i] = _residual(observations[i], prediction, f"{name}#{i + 1}", sigma_arcsec)
    return found


def _groups(observations, body):
    """Rows that share an observer and a body: (rows, observer or the reason why not, designation)."""
    groups: dict = {}
    for i, row in enumerate(observations):
        designation = body or str(row["designation"])
        # A spacecraft is somewhere else at every moment. NaN differs from itself: places by their words.
        own = i if str(row["sys"]).startswith("ICRF") else -1
        key = str((str(row["station"]), str(row["sys"]), _position(row), designation, own))
        groups.setdefault(key, (designation, []))[1].append(i)
    for designation, rows in groups.values():
        yield rows, observer_of(observations[rows[0]]), designation


def _position(row) -> tuple:
    """Stated place of the observer in the units of its system; NaN where there is none."""
    return tuple(cell(row, f"pos{k}", None) for k in (1, 2, 3))


def observer_of(row):
    """Where an observation was taken from.

    Parameters
    ----------
    row : row of :func:`appulse.formats.observation_table.read_observations`

    Returns
    -------
    Site, SpacecraftVector or str
        A text is the reason why there is none.
    """
    station, system = str(row["station"]), str(row["sys"])
    try:
        if system == "WGS84":
            return Site.from_geodetic(*_position(row), name=station, source="the observation")
        if system in ("ICRF_KM", "ICRF_AU"):
            unit = u.km if system == "ICRF_KM" else u.au
            au = (np.array(_position(row)) * unit).to_value(u.au)
            return SpacecraftVector(
                name=station, time=row["time"], position_au=tuple(au), velocity_au_d=(0.0, 0.0, 0.0),
                origin="earth", code=station,
            )  # fmt: skip
        if system:
            return f"observer's place in the system {system} is not understood"
        return Site.from_mpc_code(station)
    except InputError as error:
        return str(error)


def _flagged(row, label, designation, reason) -> Residual:
    """An observation that cannot be judged, with the reason."""
    nowhere = Prediction(designation, np.nan, np.nan)
    return Residual(
        label, row["time"].utc.isot, designation, nowhere, flag=f"not judged: {reason}", mid=row["time"]
    )


def _residual(row, prediction: Prediction, label, sigma_arcsec) -> Residual:
    """O-C of one observation, with the error it states or the one assumed."""
    ra, dec = float(row["ra"]), float(row["dec"])
    calculated, observed = unit_from_radec(prediction.ra, prediction.dec), unit_from_radec(ra, dec)
    apart = np.degrees(separation_rad(calculated, observed))
    if apart > FARTHEST_DEG:
        reason = f"{apart:.0f} degrees from the predicted place: another body or another time"
        return _flagged(row, label, prediction.designation, reason)
    xi, eta = offsets_rad(calculated, observed)
    stated = [cell(row, name, u.arcsec) for name in ("sigma_ra", "sigma_dec")]
    sigma = np.where(np.isfinite(stated) & (np.array(stated) > 0), stated, sigma_arcsec)
    rho = np.nan_to_num(cell(row, "corr_ra_dec", None))
    clock = cell(row, "sigma_time", u.s)
    notes = () if np.isfinite(stated).all() else (f"no stated error: {sigma_arcsec:g} arcsec taken",)
    return Residual(
        label, row["time"].utc.isot, prediction.designation, prediction, seen=True, ra_obs=ra, dec_obs=dec,
        dra_cosdec=float(xi) * ARCSEC_PER_RAD, ddec=float(eta) * ARCSEC_PER_RAD,
        covariance=np.outer(sigma, sigma) * np.array([[1.0, rho], [rho, 1.0]]),
        mid=row["time"], clock_sigma_s=clock, mag_obs=cell(row, "mag", u.mag), notes=notes,
    )  # fmt: skip
