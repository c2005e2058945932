"""What lies in a piece of sky: known bodies (IMCCE's SkyBoT) and reference stars (the Gaia archive)."""

import warnings
from functools import partial

import numpy as np
from astropy import units as u
from astropy.coordinates import SkyCoord
from astropy.table import QTable, Table

from appulse.bodies import read_name
from appulse.errors import DesignationError, InputError
from appulse.services.client import from_text, request, to_text
from appulse.services.connection import plain_connection
from appulse.services.ephemeris_queries import copy_column, location

GAIA_HOST = "gea.esac.esa.int"
GAIA_COLUMNS = (
    "source_id, ref_epoch, ra, dec, ra_error, dec_error, parallax, pmra, pmdec, pmra_error, pmdec_error, "
    "phot_g_mean_mag"
)
MAX_BODIES_RADIUS_DEG = 10.0
MAX_STARS = 50_000


def known_bodies(ra_deg, dec_deg, radius_deg, time, site, *, policy=None):
    """Bodies of the solar system in a cone, as IMCCE's SkyBoT knows them.

    Parameters
    ----------
    ra_deg, dec_deg : float, degrees ICRF
    radius_deg : float
        At most 10.
    time : Time
        Scalar.
    site : Site
        With an MPC code (500 for the geocentre): SkyBoT takes nothing else, so no coordinates are ever sent.
    policy : RequestPolicy, optional

    Returns
    -------
    QTable
        ``designation, name, ra, dec`` (deg, J2000), ``mag, ra_rate, dec_rate`` (arcsec/h), ``r, delta`` (au),
        ``position_error`` (arcsec), ``kind``; empty where nothing is known there.

    Raises
    ------
    InputError
        A radius or site that SkyBoT does not take.
    ServiceError
        No answer.
    """
    if not 0.0 < radius_deg <= MAX_BODIES_RADIUS_DEG:
        raise InputError(
            f"a radius of {radius_deg} degrees: SkyBoT searches cones of up to {MAX_BODIES_RADIUS_DEG:g}"
        )
    code = location(site, False)
    centre = [round(float(ra_deg), 7), round(float(dec_deg), 7), round(float(radius_deg), 7)]
    query = {"cone": centre, "time": time.utc.isot, "site": code}
    reply, table = request(
        "IMCCE SkyBoT", query, lambda line: _skybot(centre, time, code, line),
        lambda text: _bodies(from_text(text) if text else Table()), policy,
    )  # fmt: skip
    table.meta["source"], table.meta["time"] = reply.provenance, time.utc.isot
    return table


def _skybot(centre, time, code, line):
    from astroquery.exceptions import NoResultsWarning
    from astroquery.imcce import SkybotClass, conf

    with conf.set_temp("timeout", line.timeout_s), warnings.catch_warnings():
        # An empty piece of sky is an answer.
        warnings.simplefilter("ignore", NoResultsWarning)
        place = SkyCoord(centre[0], centre[1], unit="deg")
        client = line.guard(SkybotClass())
        found = client.cone_search(place, centre[2] * u.deg, time.utc, location=code, cache=False)
    return to_text(found) if len(found) else ""


def _bodies(found):
    table = QTable()
    names = [str(name) for name in found["Name"]] if len(found) else []
    numbers = np.ma.filled(np.ma.asarray(found["Number"]), 0) if len(found) else []
    table["designation"] = np.array(
        [str(n) if n else _designation(name) for n, name in zip(numbers, names, strict=True)], dtype=str
    )
    table["name"] = np.array(names, dtype=str)
    for new, old, unit in (
        ("ra", "RA", u.deg), ("dec", "DEC", u.deg), ("mag", "V", u.mag),
        ("ra_rate", "RA_rate", u.arcsec / u.h),
        ("dec_rate", "DEC_rate", u.arcsec / u.h), ("r", "heliodist", u.au), ("delta", "geodist", u.au),
        ("position_error", "posunc", u.arcsec),
    ):  # fmt: skip
        copy_column(table, new, found, old, unit)
        if new not in table.colnames:
            table[new] = np.full(len(table), np.nan) * unit if len(table) else np.empty(0) * unit
    table["kind"] = np.array([str(kind) for kind in found["Type"]] if len(found) else [], dtype=str)
    return table


def _designation(name):
    try:
        return read_name(name).designation or name
    except DesignationError:
        return name


def gaia_stars(ra_deg, dec_deg, radius_deg, *, faintest=18.0, policy=None):
    """Stars of Gaia DR3 in a cone, with motions and errors.

    Parameters
    ----------
    ra_deg, dec_deg, radius_deg : float, degrees ICRF
        At J2016.0.
    faintest : float
        G magnitude.
    policy : RequestPolicy, optional

    Returns
    -------
    Table
        Gaia archive column names: what ``appulse.catalogues.stars`` reads as a star table.

    Raises
    ------
    InputError
        A cone that is none, or one with more stars than one query may bring.
    ServiceError
        No answer.
    """
    # One star more than may come is asked for: so a cut answer can be known from a full one.
    values = [float(ra_deg), float(dec_deg), float(radius_deg), float(faintest)]
    if not np.isfinite(values).all() or not 0.0 < radius_deg <= 10.0 or not -90.0 <= dec_deg <= 90.0:
        raise InputError(
            f"a cone at {ra_deg}, {dec_deg} of radius {radius_deg} degrees: radii go from 0 to 10"
        )
    adql = (  # Numbers alone go in.
        f"SELECT TOP {MAX_STARS + 1} {GAIA_COLUMNS} FROM gaiadr3.gaia_source "  # noqa: S608
        f"WHERE phot_g_mean_mag < {values[3]:.3f} AND "
        f"1 = CONTAINS(POINT(ra, dec), CIRCLE({values[0]:.7f}, {values[1]:.7f}, {values[2]:.7f}))"
    )
    reply, table = request("Gaia archive", {"adql": adql}, partial(_gaia, adql), from_text, policy)
    if len(table) > MAX_STARS:
        raise InputError(f"more than {MAX_STARS} stars there: take a smaller radius or a brighter limit")
    table.meta["source"] = f"Gaia DR3; {reply.provenance}"
    return table


def _gaia(adql, line):
    # astroquery.gaia itself asks the archive for news when it is imported; its TAP client does not.
    table = tap_client(line).launch_job(adql).get_results()
    for name in table.colnames:
        table.rename_column(name, name.lower())
    return to_text(table)


def tap_client(line):
    """astroquery's TAP client of the Gaia archive, with the limits that its own connections lack."""
    from astroquery.utils.tap.conn.tapconn import TapConn
    from astroquery.utils.tap.core import TapPlus

    class Timed:
        def get_connection(self, *, ishttps=False, cookie=None, verbose=False):
            return plain_connection(line, GAIA_HOST)

        def get_connection_secure(self, verbose):
            return self.get_connection()

    connection = TapConn(True, GAIA_HOST, server_context="tap-server", tap_context="tap", connhandler=Timed())
    return TapPlus(url=f"https://{GAIA_HOST}/tap-server/tap", connhandler=connection)
