"""Places of a body as JPL Horizons and the MPC compute them: tables that a tabulated ephemeris takes."""

import numpy as np
from astropy import units as u
from astropy.table import QTable, vstack
from astropy.time import Time

from appulse.bodies import read_name
from appulse.errors import ServiceError, SiteError, TimeError
from appulse.services.client import from_text, request, to_text
from appulse.services.orbit_queries import horizons_id, horizons_type, refused_by_name

# Times in one query: a longer list does not fit the address that carries it.
CHUNK_TIMES = 50

# Horizons' numbers of what is asked: astrometric place, rates, magnitude, distances, angles, errors.
QUANTITIES = "1,3,9,19,20,23,24,27,36,37"


def location(site, share_site) -> str | dict:
    """What to tell a service about the site: its MPC code, or the coordinates where the caller allows it."""
    if site.code:
        return site.code
    if not share_site:
        raise SiteError(
            f"the coordinates of {site.name or 'this site'} would leave this machine: say share_site=True, "
            "or name an observatory's MPC code or the geocentre"
        )
    lon, lat, height = site.geodetic
    return {"lon": round(lon, 6), "lat": round(lat, 6), "elevation": round(height / 1000.0, 6)}


def horizons_ephemeris(body, times, site, *, share_site=False, policy=None, progress=None):
    """Astrometric places from JPL Horizons.

    Parameters
    ----------
    body : str
        Number, designation or name of a small body.
    times : Time
        Scalar or (n,).
    site : Site
    share_site : bool
        Allow coordinates to be sent where the site has no MPC code. Without it nothing private leaves.
    policy : RequestPolicy, optional
    progress : callable, optional
        ``progress(words, done, total)``: times of which the places are there.

    Returns
    -------
    QTable
        ``designation, time`` (UTC), ``ra, dec`` (deg, astrometric ICRF), ``ra_rate_apparent,
        dec_rate_apparent`` (arcsec/h; of date, as Horizons prints them), ``mag, r, delta`` (au), ``phase,
        elongation`` (deg), ``sigma_major, sigma_minor`` (arcsec, a third of the printed 3 sigma). What
        Horizons leaves blank is masked. ``TabulatedEphemeris.from_table`` takes the table.

    Raises
    ------
    DesignationError
        Horizons knows no such body, or several.
    SiteError
        A private site without `share_site`.
    ServiceError
        No answer.
    """
    name = read_name(body)
    where = location(site, share_site)
    moments = np.atleast_1d(times.utc.jd)
    if moments.size == 0:
        raise TimeError("no times to ask Horizons for: give at least one")
    parts, provenance = [], []
    for at in range(0, moments.size, CHUNK_TIMES):
        if progress is not None:
            progress("asking JPL Horizons", at, moments.size)
        some = moments[at : at + CHUNK_TIMES].tolist()
        query = {"places": name.designation or name.name, "times": some, "site": where}
        call = _horizons_call(name, some, where, body)
        reply, part = request("JPL Horizons", query, call, _places, policy)
        parts.append(part)
        provenance.append(reply.provenance)
    found = vstack(parts, metadata_conflicts="silent") if len(parts) > 1 else parts[0]
    table = QTable()
    table["designation"] = np.full(len(found), name.designation or name.name)
    table["time"] = Time(np.asarray(found["datetime_jd"], float), format="jd", scale="utc")
    for new, old, unit, factor in (
        ("ra", "RA", u.deg, 1), ("dec", "DEC", u.deg, 1), ("ra_rate_apparent", "RA_rate", u.arcsec / u.h, 1),
        ("dec_rate_apparent", "DEC_rate", u.arcsec / u.h, 1), ("mag", "V", u.mag, 1),
        ("mag", "Tmag", u.mag, 1), ("nuclear_mag", "Nmag", u.mag, 1),
        ("sun_pa", "sunTargetPA", u.deg, 1), ("antivelocity_pa", "velocityPA", u.deg, 1),
        ("r", "r", u.au, 1), ("delta", "delta", u.au, 1), ("phase", "alpha", u.deg, 1),
        ("elongation", "elong", u.deg, 1), ("sigma_major", "SMAA_3sigma", u.arcsec, 1 / 3),
        ("sigma_minor", "SMIA_3sigma", u.arcsec, 1 / 3),
    ):  # fmt: skip
        copy_column(table, new, found, old, unit, factor)
    table.meta["source"] = provenance[0]
    table.meta["observer"] = site.name
    return table


def _places(text):
    """The table of an answer, refused where it lacks times or places, or they are no numbers."""
    found = from_text(text)
    for name in ("datetime_jd", "RA", "DEC"):
        values = np.ma.filled(np.ma.asarray(found[name], dtype=float), np.nan)
        if not np.isfinite(values).all():
            raise ServiceError(f"JPL Horizons sent a table whose column {name} is not a number in some row")
    return found


def _horizons_call(name, moments, where, body):
    def call(line):
        from astroquery.jplhorizons import HorizonsClass, conf

        with conf.set_temp("timeout", line.timeout_s):
            kind = horizons_type(name)
            client = HorizonsClass(id=horizons_id(name), id_type=kind, location=where, epochs=moments)
            line.guard(client)
            client.TIMEOUT = line.timeout_s
            found = refused_by_name(
                lambda: client.ephemerides(quantities=QUANTITIES, extra_precision=True, cache=False),
                body, "Horizons",
            )  # fmt: skip
        return to_text(found)

    return call


def copy_column(table, new, found, old, unit, factor=1.0):
    """Take a column over with its unit; blank cells masked; absent columns left out."""
    if old not in found.colnames or new in table.colnames:
        return
    column = found[old]
    if column.dtype.kind not in "fiu":
        return
    values = np.asarray(np.ma.filled(np.ma.asarray(column, dtype=float), np.nan))
    given = column.unit or unit
    numbers = (values * given).to_value(unit) * factor
    mask = ~np.isfinite(numbers)
    if mask.any():
        from astropy.utils.masked import Masked

        table[new] = Masked(np.where(mask, 0.0, numbers), mask=mask) * unit
    else:
        table[new] = numbers * unit
