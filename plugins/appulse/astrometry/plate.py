"""Is the plate right? Its stars against their catalogue, and the zero point where the body is.

All offsets are observed (by the frame's own WCS) minus catalogue, east and north, arcsec: subtract them from
a measured place.

What a plate check found: the zero point anywhere on the frame, and the parts of the plate's error.

All offsets are observed (by the frame's own WCS) minus catalogue, east and north, arcsec: subtract them from
a measured place.

The matched stars of a plate check: careful places, offsets from the catalogue, and their errors.

Offsets of a plate as a polynomial of the place, with as many terms as its stars carry.
"""

from dataclasses import dataclass, field, replace

import numpy as np
from astropy import units as u
from astropy.table import QTable, Table

from appulse.astrometry.detection import Survey, survey, within
from appulse.constants import ARCSEC_PER_RAD
from appulse.numerics.robust import extra_scatter, mad_sigma, weighted_lstsq
from appulse.numerics.sphere import offsets_rad, tangent_axes, unit_from_radec
from appulse.registration.star_matching import Match, match

MIN_STARS = 3


NEAR_ARCSEC, FAR_ARCSEC = 20.0, 420.0
"""Shifts that are looked for first, and at most."""


GROSS_ARCSEC = 20.0


MIN_PHOTOMETRY_STARS = 3


@dataclass(frozen=True)
class PlateModel:
    """Offset (east, north) in arcsec = coefficients x terms of (u, v).

    Parameters
    ----------
    order : int
    east, north : (terms,) arrays
        arcsec on the terms 1, u, v, u2, uv, v2, ...; u = (x - centre) / scale.
    cov_east, cov_north : (terms, terms) arrays
    floor : (float, float)
        Scatter per star and axis beyond what catalogue and centroid say, arcsec.
    centre : (float, float)
    scale : float
        Zero-based px.
    """

    order: int
    east: np.ndarray
    north: np.ndarray
    cov_east: np.ndarray
    cov_north: np.ndarray
    floor: tuple[float, float]
    centre: tuple[float, float]
    scale: float

    def terms(self, x, y) -> np.ndarray:
        """Polynomial terms at pixels, shape (n, terms)."""
        return terms(x, y, self.order, self.centre, self.scale)

    def at(self, x: float, y: float) -> tuple[np.ndarray, np.ndarray]:
        """Offset (2,) and covariance (2, 2), arcsec, at a pixel."""
        here = self.terms(np.array([x]), np.array([y]))[0]
        variances = [here @ c @ here for c in (self.cov_east, self.cov_north)]
        return np.array([here @ self.east, here @ self.north]), np.diag(variances)


@dataclass
class PlateCheck:
    """Outcome of a plate check.

    Parameters
    ----------
    n_stars : int
        Stars that the zero point rests on; 0 where there is no correction.
    offset : (2,) array
        At the frame's centre: east, north, arcsec; NaN where there is no correction.
    covariance : (2, 2) array
        arcsec^2.
    stars : QTable
        Every matched star: ``name, g, x, y, ra, dec, dra, ddec`` (observed minus catalogue), ``sigma_ra,
        sigma_dec``, ``left_dra, left_ddec`` (what the model leaves), ``snr, flux, flux_sigma, used``.
    model : PlateModel or None
    notes : tuple of str
    catalogue, ades_code : str
    survey : Survey
        What the frame's pixels told; measuring needs it again.
    found : Match or None
    n_catalogue : int
        Catalogue stars on the frame.
    field_stars : Table
        All of them: ``name, g, x, y`` (pixels where they show, the plate's error put in).
    pixel_scale : float
        arcsec.
    reach_px : float
        How far from the place that :meth:`around` was asked about the sources and catalogue stars are all
        there.
    """

    n_stars: int
    offset: np.ndarray
    covariance: np.ndarray
    stars: QTable
    model: PlateModel | None
    notes: tuple[str, ...]
    catalogue: str
    ades_code: str
    survey: Survey = field(repr=False)
    found: Match | None = field(default=None, repr=False)
    n_catalogue: int = 0
    field_stars: Table = field(default_factory=Table, repr=False)
    pixel_scale: float = 1.0
    reach_px: float = np.inf
    _frame: object = field(default=None, repr=False)

    @property
    def corrected(self) -> bool:
        """Whether there is a zero point to take off."""
        return self.model is not None

    def around(self, x: float, y: float, radius_px: float) -> "PlateCheck":
        """The same check with the sources and catalogue stars about a place only: little to keep of a frame.

        Parameters
        ----------
        x, y, radius_px : float
            Zero-based px.

        Returns
        -------
        PlateCheck
        """
        return replace(
            self,
            survey=self.survey.about(x, y, radius_px),
            field_stars=within(self.field_stars, x, y, radius_px),
            reach_px=min(radius_px, self.reach_px),
        )

    def local_offset(self, x: float, y: float):
        """Zero point at a pixel.

        Parameters
        ----------
        x, y : float
            Zero-based px.

        Returns
        -------
        dra, ddec : float
            Observed minus catalogue, arcsec, RA with cosDec; NaN where there is no correction.
        covariance : (2, 2) array
            arcsec^2.
        """
        if self.model is None:
            return np.nan, np.nan, np.full((2, 2), np.nan)
        shift, cov = self.model.at(x, y)
        turn = _to_local(self._frame, x, y)
        dra, ddec = turn @ shift
        return float(dra), float(ddec), turn @ cov @ turn.T

    def true_pixel(self, ra: float, dec: float) -> tuple[float, float]:
        """Pixel where a true place shows on this frame, the plate's offset put in."""
        x, y = (float(v) for v in self._frame.to_pixel(ra, dec))
        if self.model is None or not np.isfinite(x):
            return x, y
        if self.found is not None and self.found.how == "turned":
            return tuple(float(v) for v in self.found.apply(np.array([[x, y]]))[0])
        for _ in range(3):
            dra, ddec, _ = self.local_offset(x, y)
            ra_seen = ra + dra / 3600 / max(np.cos(np.radians(dec)), 1e-9)
            x, y = (float(v) for v in self._frame.to_pixel(ra_seen, dec + ddec / 3600))
        return x, y

    @property
    def catalogue_covariance(self) -> np.ndarray:
        """The catalogue's share of the zero point's covariance, from its stars' errors, arcsec^2."""
        if self.model is None:
            return np.full((2, 2), np.nan)
        used = np.asarray(self.stars["used"])
        shares = []
        for axis, floor in zip(("ra", "dec"), self.model.floor, strict=True):
            total2 = self.stars[f"sigma_{axis}"].value[used] ** 2 + floor**2
            catalogue2 = self.stars[f"catalogue_{axis}"].value[used] ** 2
            shares.append(np.sum(catalogue2 / total2**2) / np.sum(1.0 / total2) ** 2)
        return np.diag(shares)

    @property
    def parts(self) -> dict[str, tuple[float, float]]:
        """Shift east, north (arcsec), scale (ppm), turn and skew (arcsec), each with its sigma."""
        if self.model is None:
            return {}
        m = self.model
        values = {
            "east": (m.east[0], m.cov_east[0, 0] ** 0.5),
            "north": (m.north[0], m.cov_north[0, 0] ** 0.5),
        }
        if m.order >= 1:
            values |= _linear_parts(self)
        return {name: (float(a), float(b)) for name, (a, b) in values.items()}


def check_plate(frame, star_table, *, survey_of=None, max_order: int = 3) -> PlateCheck:
    """Hold a frame's stars against a catalogue.

    Parameters
    ----------
    frame : SolvedFrame
    star_table : StarTable or None
        None: no check, no correction, and the notes say so.
    survey_of : Survey, optional
        Where the frame has been looked at already.
    max_order : int
        Highest order of the distortion.

    Returns
    -------
    PlateCheck
        Without correction where fewer than three stars can be matched: the notes say why.

    Raises
    ------
    MeasurementError
        If the frame has no usable pixel.
    """
    looked = survey_of if survey_of is not None else survey(frame)
    nothing = PlateCheck(
        0, np.full(2, np.nan), np.full((2, 2), np.nan), QTable(), None, (), "none", "UNK", looked,
        pixel_scale=frame.pixel_scale, _frame=frame,
    )  # fmt: skip
    if star_table is None or len(star_table) == 0:
        nothing.notes = (
            *looked.notes,
            "no reference stars: the plate is not checked and nothing is corrected",
        )
        return nothing
    nothing.catalogue, nothing.ades_code = star_table.catalogue, star_table.ades_code
    places = star_table.at_epoch(frame.exposure.mid)
    catalogue = _on_frame(frame, places)
    nothing.n_catalogue = int(np.sum(catalogue["inside"]))
    notes = [*looked.notes, *places.meta.get("notes", [])]
    nothing.field_stars = catalogue["name", "g", "x", "y"]
    found = _match(frame, looked, catalogue)
    if found is None or len(found.star) < MIN_STARS:
        matched = 0 if found is None else len(found.star)
        notes.append(
            f"{nothing.n_catalogue} catalogue stars on the frame, {matched} of them recognised among "
            f"{len(looked.sources)} sources: {MIN_STARS} are needed, so nothing is corrected"
        )
        nothing.notes = tuple(notes)
        return nothing
    return _solve(frame, looked, catalogue, found, nothing, notes, max_order)


def _on_frame(frame, places) -> Table:
    """Catalogue stars by the WCS, brightest first, on the frame or within the largest shift of it."""
    ra, dec = np.asarray(places["ra"].value), np.asarray(places["dec"].value)
    x, y = frame.to_pixel(ra, dec)
    ny, nx = frame.shape
    margin = FAR_ARCSEC / frame.pixel_scale
    seen = np.isfinite(x) & (x > -margin) & (x < nx + margin) & (y > -margin) & (y < ny + margin)
    table = Table()
    table["row"] = np.flatnonzero(seen)
    table["name"] = np.asarray(places["name"])[seen]
    table["g"] = np.asarray(places["g"].value, dtype=float)[seen]
    for name, values in (("ra", ra), ("dec", dec), ("x", x), ("y", y)):
        table[name] = values[seen]
    table["sigma_ra"] = np.asarray(places["sigma_ra"].to_value(u.arcsec))[seen]
    table["sigma_dec"] = np.asarray(places["sigma_dec"].to_value(u.arcsec))[seen]
    table["inside"] = (
        (table["x"] > -0.5) & (table["x"] < nx - 0.5) & (table["y"] > -0.5) & (table["y"] < ny - 0.5)
    )
    return table[np.argsort(np.where(np.isfinite(table["g"]), table["g"], 99.0), kind="stable")]


def _match(frame, looked: Survey, catalogue) -> Match | None:
    stars = np.column_stack([catalogue["x"], catalogue["y"]])
    sources = np.column_stack([looked.sources["x"], looked.sources["y"]])
    tolerance = max(1.5, 0.7 * looked.psf.fwhm)
    scale = frame.pixel_scale
    near = max(NEAR_ARCSEC / scale, 3 * tolerance)
    ny, nx = frame.shape
    # A frame full of catalogue stars too faint to show would only add wrong votes.
    keep = slice(0, max(60, 3 * len(sources)))
    return match(
        stars[keep], sources, tolerance=tolerance, near=near, far=max(FAR_ARCSEC / scale, 2 * near),
        centre=((nx - 1) / 2, (ny - 1) / 2),
    )  # fmt: skip


def _solve(frame, looked, catalogue, found, plate, notes, max_order) -> PlateCheck:
    stars = fit_stars(frame, looked, catalogue, found)
    if len(stars) < MIN_STARS:
        notes.append(f"only {len(stars)} stars could be fitted: {MIN_STARS} are needed, nothing is corrected")
        plate.notes = tuple(notes)
        return plate
    ny, nx = frame.shape
    sigmas = np.column_stack([stars["sigma_ra"], stars["sigma_dec"]])
    offsets = np.column_stack([stars["xi"], stars["eta"]])
    model, used = fit_plate(
        np.asarray(stars["x"]), np.asarray(stars["y"]), offsets, sigmas, ((nx - 1) / 2, (ny - 1) / 2),
        max(nx, ny) / 2, max_order,
    )  # fmt: skip
    basis = model.terms(np.asarray(stars["x"]), np.asarray(stars["y"]))
    stars["left_dra"], stars["left_ddec"] = (
        offsets[:, 0] - basis @ model.east,
        offsets[:, 1] - basis @ model.north,
    )
    stars["used"] = used
    stars.remove_columns(["xi", "eta"])
    plate.stars = with_units(stars)
    plate.n_stars, plate.model, plate.found = int(used.sum()), model, found
    centre = (nx - 1) / 2, (ny - 1) / 2
    shown = found.apply(np.column_stack([catalogue["x"], catalogue["y"]]))
    plate.field_stars = Table([catalogue["name"], catalogue["g"], *shown.T], names=("name", "g", "x", "y"))
    dra, ddec, plate.covariance = plate.local_offset(*centre)
    plate.offset = np.array([dra, ddec])
    plate.notes = tuple(notes + _words(plate, frame))
    return plate


def _words(plate: PlateCheck, frame) -> list[str]:
    """What the check found, in sentences."""
    found, (dra, ddec) = plate.found, plate.offset
    words = []
    size = float(np.hypot(dra, ddec))
    if found.how == "turned":
        mirrored = np.linalg.det(found.matrix) < 0
        angle = np.degrees(np.arctan2(found.matrix[1, 0], found.matrix[0, 0]))
        what = "mirrored and turned" if mirrored else "turned"
        words.append(
            f"gross error of the WCS: the stars lie {what} against it by {angle:+.2f} degrees, scale "
            f"{np.sqrt(abs(np.linalg.det(found.matrix))):.4f}; solve the plate again"
        )
    elif size > GROSS_ARCSEC:
        words.append(
            f"gross error of the WCS: the stars lie {size:.1f} arcsec ({size / frame.pixel_scale:.1f} px) "
            "from where it puts them; solve the plate again"
        )
    sigma = np.sqrt(np.diag(plate.covariance))
    orders = ("a shift", "shift, scale, turn and skew", "quadratic distortion", "cubic distortion")
    words.append(
        f"zero point from {plate.n_stars} of {len(plate.stars)} stars ({orders[plate.model.order]}): "
        f"{dra:+.3f} ± {sigma[0]:.3f}, {ddec:+.3f} ± {sigma[1]:.3f} arcsec (observed minus catalogue)"
    )
    return words


def _to_local(frame, x, y) -> np.ndarray:
    """Turn, (2, 2), from the central plane's east and north to those at a pixel: they part near a pole."""
    centre, here = unit_from_radec(*frame.centre), unit_from_radec(*(float(v) for v in frame.to_sky(x, y)))
    east0, north0 = tangent_axes(centre)
    east, north = tangent_axes(here)
    depth = float(here @ centre)
    # A step in the plane moves the direction by that step, seen across the line of sight, times the depth.
    steps = depth * np.stack([east0, north0])
    return np.array([[step @ east for step in steps], [step @ north for step in steps]])


def _linear_parts(plate) -> dict:
    """Scale, turn and skew from the linear terms d(offset)/d(pixel), through the frame's own matrix."""
    m, frame = plate.model, plate._frame
    jacobian = frame.jacobian(*m.centre)
    slopes = np.array([m.east[1:3], m.north[1:3]]) / m.scale
    strain = slopes @ np.linalg.inv(jacobian)  # d(offset) / d(east, north), pure numbers
    sigma = np.sqrt(np.mean([m.cov_east[1, 1], m.cov_east[2, 2], m.cov_north[1, 1], m.cov_north[2, 2]]))
    sigma = sigma / m.scale / plate.pixel_scale
    return {
        "scale_ppm": (5e5 * np.trace(strain), 7.1e5 * sigma),
        "turn_arcsec": (0.5 * ARCSEC_PER_RAD * (strain[0, 1] - strain[1, 0]), 0.71 * ARCSEC_PER_RAD * sigma),
        "skew_arcsec": (0.5 * ARCSEC_PER_RAD * (strain[0, 1] + strain[1, 0]), 0.71 * ARCSEC_PER_RAD * sigma),
    }


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


STARS_FOR_ORDER = {0: 3, 1: 9, 2: 25, 3: 50}
"""Least number of stars for shift; shift, scale, turn and skew; and the distortions."""


CLIP = 3.5


def terms(x, y, order, centre, scale) -> np.ndarray:
    """Terms 1, u, v, u2, uv, v2, ... up to an order, shape (n, terms)."""
    u, v = (np.asarray(x) - centre[0]) / scale, (np.asarray(y) - centre[1]) / scale
    return np.stack([u ** (k - j) * v**j for k in range(order + 1) for j in range(k + 1)], axis=1)


def fit_plate(x, y, offsets, sigmas, centre, scale, max_order=3):
    """Fit the offsets with as many terms as the stars carry (Bayes' information criterion), outliers out.

    Parameters
    ----------
    x, y : (n,) arrays
        Zero-based px.
    offsets, sigmas : (n, 2) arrays
        East, north, arcsec; sigmas of catalogue and centroid together.
    centre : (float, float)
    scale : float
    max_order : int

    Returns
    -------
    model : PlateModel
    used : (n,) bool array

    Raises
    ------
    numpy.linalg.LinAlgError
        If not even a shift can be fitted.

    Examples
    --------
    >>> rng = np.random.default_rng(8)
    >>> x, y = rng.uniform(0, 1000, (2, 12))
    >>> offsets = np.array([0.3, -0.2]) + rng.normal(0, 0.01, (12, 2))
    >>> model, used = fit_plate(x, y, offsets, np.full((12, 2), 0.01), (500.0, 500.0), 500.0)
    >>> model.order, model.at(500.0, 500.0)[0].round(1).tolist()
    (0, [0.3, -0.2])
    """
    used = _first_clip(offsets, sigmas, len(x))
    best = None
    for order in range(max_order + 1):
        if len(x) < STARS_FOR_ORDER[order]:
            break
        try:
            model, kept, bic = _fit_order(x, y, offsets, sigmas, used, order, centre, scale)
        except np.linalg.LinAlgError:
            if best is None:
                raise
            break
        if best is None or bic < best[2]:
            best = model, kept, bic
    return best[0], best[1]


def _first_clip(offsets, sigmas, n):
    """All stars, but those that no smooth plate explains: beyond ten times the scatter about the median."""
    off = np.hypot(*(offsets - np.median(offsets, axis=0)).T)
    limit = 10 * max(np.median(off), float(np.median(sigmas)))
    keep = off <= limit
    return keep if keep.sum() >= 3 else np.ones(n, bool)


def _fit_order(x, y, offsets, sigmas, used, order, centre, scale):
    design = terms(x, y, order, centre, scale)
    used, floor = used.copy(), np.zeros(2)
    for _ in range(10):
        parts = [_axis(design[used], offsets[used, k], sigmas[used, k]) for k in (0, 1)]
        floor = np.array([part[2] for part in parts])
        total = np.hypot(sigmas, floor)
        residual = offsets - design @ np.stack([part[0] for part in parts], axis=1)
        wild = np.max(np.abs(residual) / total, axis=1)
        again = wild < max(CLIP, 1.1 * np.median(wild))
        if again.sum() < max(STARS_FOR_ORDER[order], 0.5 * len(x)) or np.array_equal(again, used):
            break
        used = again
    # The criterion sees all stars, the wild ones at the clip: an order must not win by throwing stars out.
    z2 = np.minimum((residual / total) ** 2, CLIP**2)
    bic = float(np.sum(z2 + 2 * np.log(total))) + 2 * design.shape[1] * np.log(2 * len(x))
    (east, cov_east, _), (north, cov_north, _) = parts
    return PlateModel(order, east, north, cov_east, cov_north, tuple(floor), centre, scale), used, bic


def _axis(design, values, sigmas):
    """Coefficients, covariance and floor of one axis; the floor makes the residuals as wide as they are."""
    floor = 0.0
    for _ in range(6):
        solution, covariance = weighted_lstsq(design, values, np.hypot(sigmas, floor))
        again = extra_scatter(values - design @ solution, sigmas, design.shape[1])
        if abs(again - floor) < 1e-4 * max(floor, 1e-6):
            break
        floor = again
    return solution, covariance, floor


@dataclass(frozen=True)
class ZeroPoint:
    """Magnitude of a star that gives one stored unit over the exposure, in the band of the star table.

    Parameters
    ----------
    value, scatter : float
        Magnitudes; NaN where unknown. The scatter of single stars holds their colours.
    n_stars : int
    """

    value: float
    scatter: float
    n_stars: int

    @property
    def known(self) -> bool:
        """Whether there is one."""
        return bool(np.isfinite(self.value))

    def magnitude(self, flux: float, flux_sigma: float = 0.0) -> tuple[float, float]:
        """Magnitude and its sigma of a flux in stored units; NaN where there is no zero point.

        Examples
        --------
        >>> ZeroPoint(20.0, 0.03, 10).magnitude(100.0, 4.0)[0]
        15.0
        """
        if not (self.known and flux > 0):
            return float("nan"), float("nan")
        sigma = np.hypot(self.scatter, 1.0857 * flux_sigma / flux)
        return float(self.value - 2.5 * np.log10(flux)), float(sigma)

    def flux(self, magnitude: float) -> float:
        """Flux in stored units of a magnitude; NaN where there is no zero point."""
        return float(10 ** (0.4 * (self.value - magnitude)))


def zero_point(plate) -> ZeroPoint:
    """Zero point from the stars of a plate check.

    Parameters
    ----------
    plate : PlateCheck

    Returns
    -------
    ZeroPoint
        NaN with fewer than three unsaturated stars of known magnitude.
    """
    if not plate.corrected:
        return ZeroPoint(np.nan, np.nan, 0)
    stars = plate.stars
    good = np.asarray(stars["used"]) & np.isfinite(np.asarray(stars["g"], dtype=float))
    good &= (np.asarray(stars["n_saturated"]) == 0) & (np.asarray(stars["snr"]) > 10)
    if good.sum() < MIN_PHOTOMETRY_STARS:
        return ZeroPoint(np.nan, np.nan, int(good.sum()))
    values = np.asarray(stars["g"], dtype=float)[good] + 2.5 * np.log10(np.asarray(stars["flux"])[good])
    middle = float(np.median(values))
    scatter = max(mad_sigma(values), 0.005)
    return ZeroPoint(middle, float(scatter), int(good.sum()))
