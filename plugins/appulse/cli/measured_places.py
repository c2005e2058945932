"""Measured places read back for a fit: from our own residual table, or from observations of any source."""

from dataclasses import replace
from pathlib import Path

from appulse.cli import common
from appulse.errors import InputError, TableError


def read_places(path: Path, orbit, site=None):
    """Measured places of one body with where each was taken from.

    Parameters
    ----------
    path : Path
        A residual table of ours (ECSV), ADES or 80-column lines, told by the content.
    orbit : Orbit
        Of the body that is wanted.
    site : Site, optional
        Where frames of a residual table were taken that name no station.

    Returns
    -------
    residuals : list of Residual
    observers : list of Site or SpacecraftVector

    Raises
    ------
    InputError
        If the file holds no measured place of this body, or a place of observation is not known.
    """
    from appulse.formats.residual_table import read_residuals

    try:
        table = read_residuals(path) if path.suffix.lower() in (".ecsv", ".csv") else None
    except TableError:
        table = None
    pairs = _of_observations(path, orbit) if table is None else _of_table(table, path, orbit, site)
    if not pairs:
        raise InputError(
            f"{path} holds no measured place of {orbit.label}: give the file of its observations"
        )
    return [one for one, _ in pairs], [where for _, where in pairs]


def _of_observations(path, orbit) -> list:
    from appulse.astrometry.observations import observer_of
    from appulse.bodies.ephemeris import NBodyEphemeris
    from appulse.cli.observed import compare
    from appulse.formats.observation_table import read_observations

    observations = read_observations(path)
    for line, reason in observations.meta["rejected"]:
        common.note(f"{path.name}{'' if line is None else f', line {line}'}: {reason}")
    bare = replace(orbit, covariance=None, covariance_names=())
    pairs = []
    for one in compare(observations, NBodyEphemeris([bare]), orbit.designation):
        if one.seen:
            pairs.append((one, observer_of(observations[int(one.frame.rpartition("#")[2]) - 1])))
    return pairs


def _of_table(table, path, orbit, site) -> list:
    import numpy as np

    from appulse.bodies.catalogue import OrbitCatalogue
    from appulse.observers.site import Site

    this = OrbitCatalogue.from_orbits([orbit])
    stations, sites, pairs = dict(table.meta.get("stations") or {}), {}, []
    if "observations" in table.meta:
        raise InputError(f"{path} was made of observations: give that file itself")
    for row in table:
        if np.ma.is_masked(row["ra_obs"]) or not len(this.rows_of(str(row["designation"]))):
            continue
        where, code = site, stations.get(str(row["frame"]))
        if where is None and code is not None:
            where = sites.setdefault(code, None) or Site.from_mpc_code(code)
            sites[code] = where
        if where is None:
            raise InputError(
                f"{path}: {row['frame']} names no station, for its place is private: give --site"
            )
        pairs.append((residual_of(row), where))
    return pairs


def residual_of(row):
    """A measured row of the residual table as the record that it was made of; the fit itself is not in it.

    Parameters
    ----------
    row : row of a residual table

    Returns
    -------
    Residual
    """
    import numpy as np
    from astropy.time import Time

    from appulse.astrometry.prediction import Prediction
    from appulse.astrometry.residual import Residual
    from appulse.observers.timescales import quiet_erfa

    def number(name):
        return np.nan if name not in row.colnames or np.ma.is_masked(row[name]) else float(row[name])

    pa, rate = np.radians(number("motion_pa")), number("rate")
    prediction = Prediction(
        str(row["designation"]), number("ra_calc"), number("dec_calc"), rate * np.sin(pa), rate * np.cos(pa),
        number("mag_calc"),
    )  # fmt: skip
    with quiet_erfa():
        mid = Time(str(row["time"]).rstrip("Z"), scale="utc")
    sigmas = (number(name) for name in ("sigma_ra", "sigma_dec", "corr_ra_dec"))
    stars = 0 if np.ma.is_masked(row["n_stars"]) else int(row["n_stars"])
    return Residual(
        str(row["frame"]), str(row["time"]), str(row["designation"]), prediction, seen=True, x=number("x"),
        y=number("y"), ra_obs=number("ra_obs"), dec_obs=number("dec_obs"), dra_cosdec=number("dra_cosdec"),
        ddec=number("ddec"), covariance=_covariance(*sigmas),
        plate_offset=np.array([number("plate_dra"), number("plate_ddec")]),
        plate_covariance=_covariance(number("sigma_plate_ra"), number("sigma_plate_dec"), 0.0),
        n_stars=stars, snr=number("snr"), mag_obs=number("mag_obs"), sigma_mag=number("sigma_mag"),
        exposure_s=number("exposure"), clock_sigma_s=number("sigma_time"), mid=mid,
    )  # fmt: skip


def _covariance(east, north, rho):
    import numpy as np

    rho = rho if np.isfinite(rho) else 0.0
    return np.array([[east**2, rho * east * north], [rho * east * north, north**2]])


def with_clock(residual, offset_s: float):
    """The same place at the true time, where the recorded one was off.

    Parameters
    ----------
    residual : Residual
    offset_s : float
        True minus recorded time.

    Returns
    -------
    Residual
        Time moved, and the O-C with it by the predicted motion.
    """
    from astropy.time import TimeDelta

    mid = residual.mid + TimeDelta(offset_s, format="sec")
    east = residual.dra_cosdec - residual.prediction.ra_rate * offset_s / 3600.0
    north = residual.ddec - residual.prediction.dec_rate * offset_s / 3600.0
    return replace(residual, mid=mid, time=mid.utc.isot, dra_cosdec=east, ddec=north)
