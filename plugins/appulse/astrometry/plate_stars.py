"""The matched stars of a plate check: careful places, offsets from the catalogue, and their errors."""

import numpy as np
from astropy import units as u
from astropy.table import QTable, Table

from appulse.constants import ARCSEC_PER_RAD
from appulse.numerics.spherical import offsets_rad, unit_from_radec

MAX_FITTED = 150
"""Stars that are fitted: more would not fix a plate better than its floor."""


def fit_stars(frame, looked, catalogue, found) -> Table:
    """Careful places of the matched stars, and their offsets in the tangent plane of the frame's centre."""
    data, rows = frame.data, []
    order = np.argsort(-np.asarray(looked.sources["snr"])[found.source], kind="stable")[: 2 * MAX_FITTED]
    for k in order:
        fit = looked.star_fit(data, int(found.source[k]))
        if fit is None or fit.snr < 5:
            continue
        star = catalogue[int(found.star[k])]
        rows.append((
            str(star["name"]), star["g"], fit.x, fit.y, star["ra"], star["dec"], star["sigma_ra"],
            star["sigma_dec"], fit.cov[0, 0], fit.cov[1, 1], fit.cov[0, 1], fit.snr, fit.flux, fit.flux_sigma,
            fit.n_saturated,
        ))  # fmt: skip
        if len(rows) == MAX_FITTED:
            break
    names = (
        *("name", "g", "x", "y", "ra", "dec", "sigma_ra", "sigma_dec", "cxx", "cyy", "cxy"),
        *("snr", "flux", "flux_sigma", "n_saturated"),
    )
    stars = Table(rows=rows, names=names) if rows else Table(names=names)
    if not rows:
        return stars
    centre = unit_from_radec(*frame.centre)
    ra, dec = frame.to_sky(np.asarray(stars["x"]), np.asarray(stars["y"]))
    seen = np.stack(offsets_rad(centre, unit_from_radec(ra, dec)))
    true = np.stack(offsets_rad(centre, unit_from_radec(np.asarray(stars["ra"]), np.asarray(stars["dec"]))))
    stars["xi"], stars["eta"] = ARCSEC_PER_RAD * (seen - true)
    cos_dec = np.cos(np.radians(np.asarray(stars["dec"])))
    stars["dra"] = ((ra - np.asarray(stars["ra"]) + 180) % 360 - 180) * 3600 * cos_dec
    stars["ddec"] = (dec - np.asarray(stars["dec"])) * 3600
    _add_centroid_sigmas(frame, stars)
    return stars


def _add_centroid_sigmas(frame, stars) -> None:
    """Catalogue and centroid errors in quadrature, arcsec east and north."""
    jacobian = frame.jacobian((frame.shape[1] - 1) / 2, (frame.shape[0] - 1) / 2)
    cov = np.array([[stars["cxx"], stars["cxy"]], [stars["cxy"], stars["cyy"]]], dtype=float)
    stars["catalogue_ra"], stars["catalogue_dec"] = stars["sigma_ra"].copy(), stars["sigma_dec"].copy()
    east_north = np.einsum("ai,ijn,bj->abn", jacobian, cov, jacobian)
    stars["sigma_ra"] = np.sqrt(np.asarray(stars["sigma_ra"]) ** 2 + east_north[0, 0])
    stars["sigma_dec"] = np.sqrt(np.asarray(stars["sigma_dec"]) ** 2 + east_north[1, 1])
    stars.remove_columns(["cxx", "cyy", "cxy"])


def with_units(stars) -> QTable:
    """The table of stars with the units of its columns attached."""
    names = ("dra", "ddec", "sigma_ra", "sigma_dec", "left_dra", "left_ddec", "catalogue_ra", "catalogue_dec")
    for name in names:
        stars[name].unit = u.arcsec
    for name in ("ra", "dec"):
        stars[name].unit = u.deg
    return QTable(stars)
