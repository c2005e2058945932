"""A night's places to give to others: times, places, sigmas, and where the observer was as roughly as wanted.

The observer's place on the Earth is rounded once, to a lattice of so many km, and the vectors from the
Earth's centre are those of the rounded place: vectors that were rounded one by one would give the place away
by their mean.
"""

from typing import NamedTuple

import numpy as np
from astropy import units as u
from astropy.table import QTable
from astropy.time import Time

from appulse.constants import AU_KM
from appulse.errors import TableError
from appulse.formats.tables import known_column

KIND = "night for others"
VERSION = 1
# What every row must have, and what is only better to have.
NEEDED = ("time", "ra", "dec", "observer_x", "observer_y", "observer_z")
WANTED = ("sigma_ra", "sigma_dec", "corr_ra_dec", "sigma_plate", "sigma_clock")
# Places on the ground lie so far from the Earth's centre, km, with room for what is rounded.
GROUND_KM = (6300.0, 6450.0)


# The observer's place may be rounded so far, km.
MOST_ROUNDED_KM = 1000.0


class SharedPlace(NamedTuple):
    """One place: UTC, ICRF degrees, covariance (arcsec^2), observer's vector (au, ICRF), plate and clock."""

    time: Time
    ra_deg: float
    dec_deg: float
    covariance: np.ndarray
    observer_au: np.ndarray
    plate_arcsec: float
    clock_s: float


def rounded_vectors(site, times, km: float) -> np.ndarray:
    """Vectors (n, 3), au, from the Earth's centre to a site whose place is rounded to so many km."""
    from dataclasses import replace

    step = km * 1000.0
    there = tuple(float(np.round(value / step) * step) for value in site.itrs_m)
    return replace(site, name="rounded", code=None, itrs_m=there, source="rounded").posvel_au(times)[0]


def shared_table(places, *, body: str, rounded_km: float) -> QTable:
    """The table of a night for others; no name of a site, frame or person is in it.

    Parameters
    ----------
    places : sequence of SharedPlace
    body : str
    rounded_km : float
        How the observer's place was rounded; 0 where it is exact because the observer allowed it.

    Returns
    -------
    QTable

    Examples
    --------
    >>> time, covariance = Time("2027-05-04T21:00:00"), 0.01 * np.eye(2)
    >>> place = SharedPlace(time, 246.4, -24.2, covariance, np.zeros(3), 0.05, 1.0)
    >>> shared_table([place], body="7", rounded_km=10.0).colnames[:4]
    ['time', 'ra', 'dec', 'sigma_ra']
    """
    table = QTable()
    table["time"] = [f"{place.time.utc.isot}" for place in places]
    table["ra"] = np.round([place.ra_deg for place in places], 8) * u.deg
    table["dec"] = np.round([place.dec_deg for place in places], 8) * u.deg
    covariance = np.array([place.covariance for place in places])
    sigma = np.sqrt(np.diagonal(covariance, axis1=1, axis2=2))
    table["sigma_ra"] = np.round(sigma[:, 0], 5) * u.arcsec
    table["sigma_dec"] = np.round(sigma[:, 1], 5) * u.arcsec
    table["corr_ra_dec"] = np.round(covariance[:, 0, 1] / np.prod(sigma, axis=1), 4)
    table["sigma_plate"] = known_column(np.round([place.plate_arcsec for place in places], 4), u.arcsec)
    table["sigma_clock"] = known_column(np.round([place.clock_s for place in places], 4), u.s)
    vectors = np.array([place.observer_au for place in places]) * AU_KM
    for k, axis in enumerate("xyz"):
        table[f"observer_{axis}"] = np.round(vectors[:, k], 3) * u.km
    table.meta.update({
        "kind": KIND, "version": VERSION, "body": body, "observer_rounded_km": float(rounded_km),
        "frame": "ICRF; observer: from the Earth's centre, ICRF axes; times UTC, mid-exposure",
    })  # fmt: skip
    return table


def is_shared(table) -> bool:
    """Whether a table is a night for others."""
    return str(table.meta.get("kind", "")) == KIND


def rounding_km(table) -> float:
    """How roughly the observer's place is given, km; the largest that is allowed where nothing is said."""
    try:
        rounded = float(table.meta["observer_rounded_km"])
    except (KeyError, TypeError, ValueError):
        return MOST_ROUNDED_KM
    return rounded if 0.0 <= rounded <= MOST_ROUNDED_KM else MOST_ROUNDED_KM


def read_shared(table, path) -> tuple[list[SharedPlace], list[str]]:
    """Places of a night for others, and what is missing in words.

    Raises
    ------
    TableError
        All that keeps the table from being used, at once.
    """
    problems, notes = [], []
    missing = [name for name in NEEDED if name not in table.colnames]
    if missing:
        problems.append(f"it lacks {', '.join(missing)}")
    absent = [name for name in WANTED if name not in table.colnames]
    if absent:
        notes.append(f"{path.name}: no {', '.join(absent)}: taken at what is usual")
    if missing:
        raise TableError(f"{path} cannot be used: {'; '.join(problems)}; ask for it to be exported again")

    def column(name, unit, default=np.nan):
        if name not in table.colnames:
            return np.full(len(table), default)
        found = table[name]
        own = getattr(found, "unit", None)
        try:
            bare = np.asarray(getattr(found, "unmasked", found), dtype=float)
            values = np.where(getattr(found, "mask", False), np.nan, bare)
            return values if unit is None or own is None else (values * own).to_value(unit)
        except (TypeError, ValueError):  # a wrong unit is a TypeError too
            problems.append(f"{name} is not a column of numbers in {unit or 'no unit'}")
            return np.full(len(table), np.nan)

    ra, dec = column("ra", u.deg), column("dec", u.deg)
    observer = np.column_stack([column(f"observer_{axis}", u.km) for axis in "xyz"])
    for words, bad in (
        ("ra outside 0 to 360 degrees", ~((ra >= 0) & (ra <= 360))),
        ("dec outside -90 to 90 degrees", ~(np.abs(dec) <= 90)),
        ("no observer's vector", ~np.isfinite(observer).all(axis=1)),
    ):
        if bad.any():
            problems.append(f"{words} in {int(bad.sum())} of {len(table)} rows")
    times = None
    try:
        times = Time([str(text).rstrip("Z") for text in table["time"]], scale="utc")
    except ValueError as error:
        problems.append(f"a time is not ISO 8601 ({error})")
    if problems:
        raise TableError(f"{path} cannot be used: {'; '.join(problems)}; ask for it to be exported again")
    far = np.linalg.norm(observer, axis=1)
    rounded = rounding_km(table)
    outside = (far < GROUND_KM[0] - rounded) | (far > GROUND_KM[1] + rounded)
    if outside.any():
        notes.append(
            f"{path.name}: {int(outside.sum())} observer's vectors do not end on the ground "
            f"({far[outside][0]:.0f} km "
            "from the Earth's centre): a spacecraft, or another unit?"
        )
    east, north = column("sigma_ra", u.arcsec), column("sigma_dec", u.arcsec)
    rho = column("corr_ra_dec", None, 0.0)
    plate, clock = column("sigma_plate", u.arcsec), column("sigma_clock", u.s)
    rho = np.where(np.abs(rho) < 1, rho, 0.0)
    places = []
    for k in range(len(table)):
        cross = rho[k] * east[k] * north[k]
        covariance = np.array([[east[k] ** 2, cross], [cross, north[k] ** 2]])
        places.append(
            SharedPlace(times[k], float(ra[k]), float(dec[k]), covariance, observer[k] / AU_KM, plate[k],
            clock[k])
        )
    return places, notes
