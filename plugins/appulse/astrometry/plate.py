"""Is the plate right? Its stars against their catalogue, and the zero point anywhere on the frame.

All offsets are observed (by the frame's own WCS) minus catalogue, east and north, arcsec: subtract them from
a measured place.

::

    catalogue at the epoch --> pixels by the WCS --> pairs with sources --> careful fits --> polynomial
                                                     (star_matching)                         |  PlateCheck
                                     zero point and its covariance at any pixel  <-----------+
"""

from dataclasses import dataclass, field, replace

import numpy as np
from astropy import units as u
from astropy.table import QTable, Table

from appulse.astrometry.detection import Survey, survey_frame, within
from appulse.astrometry.scene import look_around
from appulse.astrometry.scene_fit import fit_in_scene
from appulse.astrometry.stamp import polynomial_terms
from appulse.astrometry.star_fit import StarFits
from appulse.constants import ARCSEC_PER_RAD
from appulse.errors import MeasurementError
from appulse.frames import SkyMap, WcsMap
from appulse.numerics import (
    likely_scatter,
    mad_sigma,
    offsets_rad,
    tangent_axes,
    unit_from_radec,
    weighted_lstsq,
)
from appulse.registration import FAR_ARCSEC, Bad, Marked, Match, match_frame

MIN_STARS = 3
MIN_PHOTOMETRY_STARS = 3
MAX_FITTED, MOSTLY_ENOUGH = 150, 180
"""Stars that are used: more would not fix a plate better than its floor; and those that are fitted first."""
CLEAR_SNR, WEAK_SNR, FEW_STARS = 5.0, 2.5, 9
"""Least signal to noise of a fitted star; the second where the first leaves so few."""
ROUGH, MOST_QUICK, MOST_SCENES, SCENE_STARS = 1.4, 12, 6, 6
"""Roughness of a survey from which, if no more stars than the second are there to average structure out, so
many of them are fitted as a body is, with the structure and so many other sources around them."""
GROSS_ARCSEC = 20.0
STARS_FOR_ORDER = {0: 3, 1: 9, 2: 25, 3: 50}
"""Least number of stars for shift; shift, scale, turn and skew; and the distortions."""
ORDER_WORDS = ("a shift", "shift, scale, turn and skew", "quadratic distortion", "cubic distortion")
CLIP = 3.5
SURE = 4.0
"""Sigmas of chi-squared from which the stars' scatter beyond their errors is taken for real."""
SIGMA_TRUST = 20.0
"""The stars' own sigmas count as so many measured offsets when their size is judged."""


@dataclass(frozen=True)
class PlateModel:
    """Offset (east, north), arcsec, as coefficients of 1, u, v, u2, uv, v2, ...; u = (x - centre) / scale."""

    order: int
    east: np.ndarray
    north: np.ndarray
    cov_east: np.ndarray
    cov_north: np.ndarray
    floor: tuple[float, float]  # scatter per star and axis beyond what catalogue and centroid say, arcsec
    centre: tuple[float, float]  # zero-based px
    scale: float
    scatter: float = 0.0  # the floor where it is beyond chance: what moves stars moves the body, arcsec

    def terms(self, x, y) -> np.ndarray:
        """Polynomial terms at pixels, shape (n, terms)."""
        return polynomial_terms(x, y, self.order, self.centre, self.scale)

    def at(self, x: float, y: float) -> tuple[np.ndarray, np.ndarray]:
        """Offset (2,) and covariance (2, 2), arcsec, at a pixel."""
        here = self.terms(np.array([x]), np.array([y]))[0]
        variances = [here @ c @ here for c in (self.cov_east, self.cov_north)]
        return np.array([here @ self.east, here @ self.north]), np.diag(variances)


@dataclass(frozen=True)
class PlateCheck:
    """Outcome of a plate check.

    Parameters
    ----------
    survey : Survey
        What the frame's pixels are like; measuring needs it again.
    projection : SkyMap
        Sky to pixels by the frame's own WCS.
    centre : (float, float)
        RA and Dec of the frame's centre, degrees, ICRF.
    pixel_scale : float
        arcsec.
    notes : tuple of str
    catalogue, ades_code : str
    n_catalogue : int
        Catalogue stars on the frame.
    field_stars : Table
        All of them: ``name, g, x, y`` (pixels where they show, the plate's error put in).
    stars : QTable
        Every matched star: ``name, g, x, y, ra, dec, dra, ddec`` (observed minus catalogue), ``sigma_ra,
        sigma_dec``, ``left_dra, left_ddec`` (what the model leaves), ``snr, flux, flux_sigma, used``.
    n_stars : int
        Stars that the zero point rests on; 0 where there is no correction.
    model : PlateModel or None
    found : Match or None
    reach_px : float
        How far from the place that :meth:`around` was asked about the sources and catalogue stars are all
        there.
    """

    survey: Survey = field(repr=False)
    projection: SkyMap = field(repr=False)
    centre: tuple[float, float]
    pixel_scale: float
    notes: tuple[str, ...] = ()
    catalogue: str = "none"
    ades_code: str = "UNK"
    n_catalogue: int = 0
    field_stars: Table = field(default_factory=Table, repr=False)
    stars: QTable = field(default_factory=QTable, repr=False)
    n_stars: int = 0
    model: PlateModel | None = field(default=None, repr=False)
    found: Match | None = field(default=None, repr=False)
    reach_px: float = np.inf

    @property
    def corrected(self) -> bool:
        """Whether there is a zero point to take off."""
        return self.model is not None

    @property
    def offset(self) -> np.ndarray:
        """Zero point at the frame's centre: east, north, arcsec; NaN where there is no correction."""
        return np.array(self._central[:2])

    @property
    def covariance(self) -> np.ndarray:
        """Its covariance, (2, 2), arcsec^2."""
        return self._central[2]

    @property
    def _central(self):
        """The zero point at the frame's centre."""
        return self.local_offset(*(self.model.centre if self.corrected else (np.nan, np.nan)))

    def around(self, x: float, y: float, radius_px: float) -> "PlateCheck":
        """The same check with the sources and stars about a place only: little to keep of a frame."""
        return replace(
            self,
            survey=self.survey.about(x, y, radius_px),
            field_stars=within(self.field_stars, x, y, radius_px),
            reach_px=min(radius_px, self.reach_px),
        )

    def local_offset(self, x: float, y: float) -> tuple[float, float, np.ndarray]:
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
        turn = self._to_local(x, y)
        dra, ddec = turn @ shift
        return float(dra), float(ddec), turn @ cov @ turn.T

    def _to_local(self, x: float, y: float) -> np.ndarray:
        """Turn, (2, 2), from the central plane's east and north to those at a pixel."""
        here = unit_from_radec(*(float(v) for v in self.projection.to_sky(x, y)))
        centre = unit_from_radec(*self.centre)
        # East and north part near a pole. A step in the plane moves the direction by that step, seen across
        # the line of sight, times the depth.
        #
        #        tangent plane  ------c-----s---->     |c s| = tan(angle); a small step at s, seen from o,
        #                              \    |          is shorter by depth = cos(angle) along and across,
        #                               \   |          and the directions at s are not those at c
        #                                   o
        depth = float(here @ centre)
        steps = depth * np.stack(tangent_axes(centre))
        east, north = tangent_axes(here)
        return np.array([[step @ east for step in steps], [step @ north for step in steps]])

    def true_pixel(self, ra: float, dec: float) -> tuple[float, float]:
        """Pixel where a true place shows on this frame, the plate's offset put in."""
        x, y = (float(v) for v in self.projection.to_pixel(ra, dec))
        if self.model is None or not np.isfinite(x):
            return x, y
        if self.found is not None and self.found.how == "turned":
            # A frame solved the wrong way round: the polynomial's offsets are arcminutes, the map is exact.
            return tuple(float(v) for v in self.found.apply(np.array([[x, y]]))[0])
        # The offset is that at the place where the body shows, which it moves itself: thrice is enough.
        for _ in range(3):
            dra, ddec, _ = self.local_offset(x, y)
            ra_seen = ra + dra / 3600 / max(np.cos(np.radians(dec)), 1e-9)
            x, y = (float(v) for v in self.projection.to_pixel(ra_seen, dec + ddec / 3600))
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
            # Variance of a mean weighted by the total errors, from the catalogue's part of them.
            shares.append(np.sum(catalogue2 / total2**2) / np.sum(1.0 / total2) ** 2)
        return np.diag(shares)

    @property
    def parts(self) -> dict[str, tuple[float, float]]:
        """Shift east, north (arcsec), scale (ppm), turn and skew (arcsec), each with its sigma."""
        m = self.model
        if m is None:
            return {}
        parts = {
            "east": (m.east[0], m.cov_east[0, 0] ** 0.5),
            "north": (m.north[0], m.cov_north[0, 0] ** 0.5),
        }
        if m.order >= 1:
            # d(offset) / d(pixel), through the frame's own matrix: d(offset) / d(east, north), pure numbers.
            #
            #    strain = | a b |     scale = (a + d) / 2
            #             | c d |     turn  = (b - c) / 2      skew = (b + c) / 2
            strain = (
                np.array([m.east[1:3], m.north[1:3]])
                / m.scale
                @ np.linalg.inv(self.projection.jacobian(*m.centre))
            )
            slopes = m.cov_east[1, 1], m.cov_east[2, 2], m.cov_north[1, 1], m.cov_north[2, 2]
            sigma = np.sqrt(np.mean(slopes)) / m.scale / self.pixel_scale
            turn, skew = strain[0, 1] - strain[1, 0], strain[0, 1] + strain[1, 0]
            parts["scale_ppm"] = 5e5 * np.trace(strain), 7.1e5 * sigma
            parts["turn_arcsec"] = 0.5 * ARCSEC_PER_RAD * turn, 0.71 * ARCSEC_PER_RAD * sigma
            parts["skew_arcsec"] = 0.5 * ARCSEC_PER_RAD * skew, 0.71 * ARCSEC_PER_RAD * sigma
        return {name: (float(value), float(sigma)) for name, (value, sigma) in parts.items()}


def check_plate(frame, star_table, *, survey: Survey | None = None, max_order: int = 3) -> PlateCheck:
    """Hold a frame's stars against a catalogue.

    Parameters
    ----------
    frame : SolvedFrame
    star_table : StarTable or None
        None: no check, no correction, and the notes say so.
    survey : Survey, optional
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

    Examples
    --------
    >>> from astropy.wcs import WCS
    >>> from appulse.frames.frame import SolvedFrame
    >>> wcs = WCS(naxis=2)
    >>> wcs.wcs.ctype, wcs.wcs.cdelt = ["RA---TAN", "DEC--TAN"], [-0.0003, 0.0003]
    >>> wcs.wcs.crval, wcs.wcs.crpix = [246.4, -24.2], [50.5, 40.5]
    >>> pixels = np.random.default_rng(1).normal(100.0, 3.0, (80, 100))
    >>> plate = check_plate(SolvedFrame.from_arrays(pixels, wcs), None)
    >>> plate.corrected, plate.notes[-1]
    (False, 'no reference stars: the plate is not checked and nothing is corrected')
    """
    if star_table is None or len(star_table) == 0:
        survey = survey if survey is not None else survey_frame(frame)
        plate = PlateCheck(survey, WcsMap(frame.wcs), frame.centre, frame.pixel_scale, survey.notes)
        note = "no reference stars: the plate is not checked and nothing is corrected"
        return replace(plate, notes=(*survey.notes, note))
    places = star_table.at_epoch(frame.exposure.mid)
    catalogue = _on_frame(frame, places)

    def known(sources, fwhm):
        """Rows of sources that are stars of the catalogue."""
        match = _match(frame, sources, fwhm, catalogue)
        return np.zeros(0, int) if match is None else match.source

    survey = survey if survey is not None else survey_frame(frame, known=known)
    plate = PlateCheck(survey, WcsMap(frame.wcs), frame.centre, frame.pixel_scale, survey.notes)
    n_catalogue = int(np.sum(catalogue["inside"]))
    notes = (*survey.notes, *places.meta.get("notes", ()))
    plate = replace(
        plate, catalogue=star_table.catalogue, ades_code=star_table.ades_code, n_catalogue=n_catalogue,
        field_stars=catalogue["name", "g", "x", "y"],
    )  # fmt: skip
    found = _match(frame, survey.sources, survey.psf.fwhm, catalogue)
    matched = 0 if found is None else len(found.star)
    if matched < MIN_STARS:
        note = (
            f"{n_catalogue} catalogue stars on the frame, {matched} of them recognised among "
            f"{len(survey.sources)} sources: {MIN_STARS} are needed, so nothing is corrected"
        )
        return replace(plate, notes=(*notes, note))
    stars = _fit_stars(frame, survey, catalogue, found)
    if len(stars) < MIN_STARS:
        note = f"only {len(stars)} stars could be fitted: {MIN_STARS} are needed, nothing is corrected"
        return replace(plate, notes=(*notes, note))
    model, stars = _solve(frame, stars, max_order)
    shown = found.apply(np.column_stack([catalogue["x"], catalogue["y"]]))
    plate = replace(
        plate, stars=stars, n_stars=int(stars["used"].sum()), model=model, found=found,
        field_stars=Table([catalogue["name"], catalogue["g"], *shown.T], names=("name", "g", "x", "y")),
    )  # fmt: skip
    return replace(plate, notes=(*notes, *_describe(plate)))


def _on_frame(frame, places) -> Table:
    """Catalogue stars by the WCS, brightest first, on the frame or within the largest shift of it."""
    ra, dec = np.asarray(places["ra"].value), np.asarray(places["dec"].value)
    x, y = frame.to_pixel(ra, dec)
    ny, nx = frame.shape
    margin = FAR_ARCSEC / frame.pixel_scale
    seen = np.isfinite(x) & (x > -margin) & (x < nx + margin) & (y > -margin) & (y < ny + margin)
    table = Table()
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


def _match(frame, sources, fwhm: float, catalogue) -> Match | None:
    """Which source is which star; None where no agreement is better than luck."""
    stars = np.column_stack([catalogue["x"], catalogue["y"]])
    sources = np.column_stack([sources["x"], sources["y"]])
    # A frame full of catalogue stars too faint to show would only add wrong votes.
    keep = slice(0, max(60, 3 * len(sources)))
    return match_frame(stars[keep], sources, frame.shape, frame.pixel_scale, fwhm)


def _fit_stars(frame, survey: Survey, catalogue, found: Match) -> Table:
    """Careful places of the matched stars, and their offsets in the tangent plane of the frame's centre."""
    order = np.argsort(-np.asarray(survey.sources["snr"])[found.source], kind="stable")[: 2 * MAX_FITTED]
    fits = survey.star_fits(found.source[order[:MOSTLY_ENOUGH]])
    with np.errstate(invalid="ignore"):
        if len(order) > MOSTLY_ENOUGH and np.sum(fits.good & (fits.snr >= CLEAR_SNR)) < MAX_FITTED:
            more = survey.star_fits(found.source[order[MOSTLY_ENOUGH:]])
            fits = StarFits(*(np.concatenate(columns) for columns in zip(fits, more, strict=True)))
        kept = np.flatnonzero(fits.good & (fits.snr >= CLEAR_SNR))[:MAX_FITTED]
        if len(kept) < FEW_STARS:
            # They are recognised by their pattern; what they are worth is in their sigmas.
            kept = np.flatnonzero(fits.good & (fits.snr >= WEAK_SNR))[:MAX_FITTED]
    stars = catalogue[found.star[order[kept]]]["name", "g", "ra", "dec"]
    for axis in ("ra", "dec"):
        stars[f"catalogue_{axis}"] = catalogue[f"sigma_{axis}"][found.star[order[kept]]]
    for name, i, j in (("cxx", 0, 0), ("cyy", 1, 1), ("cxy", 0, 1)):
        stars[name] = fits.cov[kept, i, j]
    for name in ("x", "y", "snr", "flux", "flux_sigma", "n_saturated"):
        stars[name] = getattr(fits, name)[kept]
    if survey.roughness > ROUGH and 0 < len(stars) <= MOST_QUICK:
        stars = _in_scenes(survey, stars)
    if len(stars) == 0:
        return Table()
    catalogue_ra, catalogue_dec = np.asarray(stars["ra"]), np.asarray(stars["dec"])
    centre = unit_from_radec(*frame.centre)
    ra, dec = frame.to_sky(np.asarray(stars["x"]), np.asarray(stars["y"]))
    seen = np.stack(offsets_rad(centre, unit_from_radec(ra, dec)))
    true = np.stack(offsets_rad(centre, unit_from_radec(catalogue_ra, catalogue_dec)))
    stars["xi"], stars["eta"] = ARCSEC_PER_RAD * (seen - true)
    stars["dra"] = ((ra - catalogue_ra + 180) % 360 - 180) * 3600 * np.cos(np.radians(catalogue_dec))
    stars["ddec"] = (dec - catalogue_dec) * 3600
    # Catalogue and centroid errors in quadrature, the centroid's turned from pixels to the sky.
    jacobian = frame.jacobian((frame.shape[1] - 1) / 2, (frame.shape[0] - 1) / 2)
    cov = np.array([[stars["cxx"], stars["cxy"]], [stars["cxy"], stars["cyy"]]], dtype=float)
    east_north = np.einsum("ai,ijn,bj->abn", jacobian, cov, jacobian)
    for k, axis in enumerate(("ra", "dec")):
        stars[f"sigma_{axis}"] = np.sqrt(np.asarray(stars[f"catalogue_{axis}"]) ** 2 + east_north[k, k])
    stars.remove_columns(["cxx", "cyy", "cxy"])
    return stars


def _in_scenes(survey: Survey, stars: Table) -> Table:
    """The brightest stars fitted anew in the structure of a nebula, as a body is."""
    x, y, flux = (np.asarray(survey.sources[name], dtype=float) for name in ("x", "y", "flux"))
    no_light = Marked(survey.bad_kinds, int(~Bad.SATURATED))
    anew = []
    for i in np.argsort(-np.asarray(stars["snr"]), kind="stable")[:MOST_SCENES]:
        place = float(stars["x"][i]), float(stars["y"][i])
        psf = survey.psf.at(*place)
        away = np.hypot(x - place[0], y - place[1])
        others = np.flatnonzero(away > psf.fwhm)
        # Light falls about with the cube of the distance.
        far = others[np.argsort(away[others] ** 3 / np.maximum(flux[others], 1e-9))[:SCENE_STARS]]
        try:
            scene = look_around(
                survey.pixels, *place, 0.5 * psf.fwhm, psf, survey.noise, found=np.column_stack([x, y])[far],
                fluxes=flux[far], bad=no_light, saturated=survey.full,
                colours=survey.colours,
            )  # fmt: skip
            fit = fit_in_scene(scene, *place)
        except (MeasurementError, np.linalg.LinAlgError):
            continue
        if fit.snr < WEAK_SNR:
            continue
        for name in ("x", "y", "snr", "flux", "flux_sigma", "n_saturated"):
            stars[name][i] = getattr(fit, name)
        for name, k, m in (("cxx", 0, 0), ("cyy", 1, 1), ("cxy", 0, 1)):
            stars[name][i] = fit.cov[k, m]
        anew.append(i)
    # The quick fits do not know the structure: where the careful ones make a plate, those alone do.
    return stars[np.sort(anew)] if len(anew) >= MIN_STARS else stars


def _solve(frame, stars: Table, max_order: int) -> tuple[PlateModel, QTable]:
    """The polynomial, and the stars with what it leaves of them."""
    ny, nx = frame.shape
    x, y = np.asarray(stars["x"]), np.asarray(stars["y"])
    sigmas = np.column_stack([stars["sigma_ra"], stars["sigma_dec"]])
    offsets = np.column_stack([stars["xi"], stars["eta"]])
    centre = (nx - 1) / 2, (ny - 1) / 2
    model, used = fit_plate(x, y, offsets, sigmas, centre, max(nx, ny) / 2, max_order)
    basis = model.terms(x, y)
    stars = stars.copy()
    stars.remove_columns(["xi", "eta"])
    stars["left_dra"] = offsets[:, 0] - basis @ model.east
    stars["left_ddec"] = offsets[:, 1] - basis @ model.north
    stars["used"] = used
    places = ("dra", "ddec", "left_dra", "left_ddec")
    for name in (*places, "sigma_ra", "sigma_dec", "catalogue_ra", "catalogue_dec"):
        stars[name].unit = u.arcsec
    for name in ("ra", "dec"):
        stars[name].unit = u.deg
    return model, QTable(stars)


def _describe(plate: PlateCheck) -> list[str]:
    """What the check found, in sentences."""
    found, (dra, ddec) = plate.found, plate.offset
    sigma, size = np.sqrt(np.diag(plate.covariance)), float(np.hypot(dra, ddec))
    gross = ""
    if found.how == "turned":
        determinant = np.linalg.det(found.matrix)
        angle = np.degrees(np.arctan2(found.matrix[1, 0], found.matrix[0, 0]))
        gross = (
            f"{'mirrored and turned' if determinant < 0 else 'turned'} against it by {angle:+.2f} degrees, "
            f"scale {np.sqrt(abs(determinant)):.4f}"
        )
    elif size > GROSS_ARCSEC:
        gross = f"{size:.1f} arcsec ({size / plate.pixel_scale:.1f} px) from where it puts them"
    words = [f"gross error of the WCS: the stars lie {gross}; solve the plate again"] if gross else []
    return [
        *words,
        f"zero point from {plate.n_stars} of {len(plate.stars)} stars ({ORDER_WORDS[plate.model.order]}): "
        f"{dra:+.3f} ± {sigma[0]:.3f}, {ddec:+.3f} ± {sigma[1]:.3f} arcsec (observed minus catalogue)",
    ]


def fit_plate(x, y, offsets, sigmas, centre, scale, max_order=3) -> tuple[PlateModel, np.ndarray]:
    """Polynomial of the offsets (n, 2) with as many terms as the stars carry, and which stars it used.

    The order is chosen by Bayes' information criterion; `LinAlgError` where not even a shift can be fitted.
    """
    used = _first_clip(offsets, sigmas)
    best = None
    for order in range(max_order + 1):
        if len(x) < STARS_FOR_ORDER[order]:
            break
        try:
            model, kept, bic = _fit_order(x, y, offsets, sigmas, used, order, centre, scale)
        except np.linalg.LinAlgError:
            # Stars on a line carry a shift but no slope across it.
            if best is None:
                raise
            break
        if best is None or bic < best[2]:
            best = model, kept, bic
    return best[0], best[1]


def _first_clip(offsets, sigmas) -> np.ndarray:
    """All stars, but those that no smooth plate explains: beyond ten times the scatter about the median."""
    off = np.hypot(*(offsets - np.median(offsets, axis=0)).T)
    keep = off <= 10 * max(np.median(off), float(np.median(sigmas)))
    return keep if keep.sum() >= 3 else np.ones(len(offsets), bool)


def _fit_order(x, y, offsets, sigmas, used, order, centre, scale):
    """Model of one order, the stars it used, and its information criterion."""
    design = polynomial_terms(x, y, order, centre, scale)
    used, floor = used.copy(), np.zeros(2)
    for _ in range(10):
        parts = [_fit_axis(design[used], offsets[used, k], sigmas[used, k]) for k in (0, 1)]
        floor = np.array([part[2] for part in parts])
        # What moves stars along one axis moves them along the other: both together know the floor better.
        floor = np.maximum(floor, _common_floor(design[used], offsets[used], sigmas[used]))
        parts = [_fit_axis(design[used], offsets[used, k], sigmas[used, k], floor[k]) for k in (0, 1)]
        total = np.hypot(sigmas, floor)
        residual = offsets - design @ np.stack([part[0] for part in parts], axis=1)
        wild = np.max(np.abs(residual) / total, axis=1)
        # Where half of the stars are beyond the clip it is the model that is wrong, not they.
        again = wild < max(CLIP, 1.1 * np.median(wild))
        if again.sum() < max(STARS_FOR_ORDER[order], 0.5 * len(x)) or np.array_equal(again, used):
            break
        used = again
    # The criterion sees all stars, the wild ones at the clip: an order must not win by throwing stars out.
    z2 = np.minimum((residual / total) ** 2, CLIP**2)
    bic = float(np.sum(z2 + 2 * np.log(total))) + 2 * design.shape[1] * np.log(2 * len(x))
    (east, cov_east, _), (north, cov_north, _) = parts
    # How wide the sigmas are, those that weigh most say, as far as they are many: a floor added alike to all
    # is found by the many faint stars.
    leverage = _leverage(design[used], total[used])
    weight = 1.0 / total[used] ** 2
    expected = float(np.sum(weight * (1.0 - leverage)))
    met = float(np.sum(weight * (residual[used] / total[used]) ** 2))
    count = float(np.sum(weight * (1.0 - leverage))) ** 2 / max(float(np.sum(weight**2)), 1e-300)
    share = (count * met / max(expected, 1e-300) + SIGMA_TRUST) / (count + SIGMA_TRUST)
    cov_east, cov_north = share * cov_east, share * cov_north
    scatter = _beyond_chance(residual[used], sigmas[used], 2 * design.shape[1], floor)
    model = PlateModel(order, east, north, cov_east, cov_north, tuple(floor), centre, scale, scatter)
    return model, used, bic


def _beyond_chance(residual, sigmas, n_terms: int, floor) -> float:
    """Floor of the stars' scatter, both axes together; 0 where chance makes as much of their sigmas alone."""
    dof = max(residual.size - n_terms, 1)
    chi2 = float(np.sum((residual / sigmas) ** 2))
    return float(np.hypot(*floor) / np.sqrt(2)) if chi2 > dof + SURE * np.sqrt(2 * dof) else 0.0


def _leverage(design, total) -> np.ndarray:
    """Share of each offset's own noise that its fit follows, as many axes as there are totals."""
    result = np.zeros(total.shape)
    for k in range(total.shape[1]):
        q, _ = np.linalg.qr(design / total[:, k, None])
        result[:, k] = np.minimum(np.sum(q**2, axis=1), 1.0)
    return result


def _common_floor(design, offsets, sigmas) -> float:
    """Floor of both axes together."""
    floor = 0.0
    for _ in range(3):
        total = np.hypot(sigmas, floor)
        solutions = [weighted_lstsq(design, *each)[0] for each in zip(offsets.T, total.T, strict=True)]
        left = offsets - design @ np.stack(solutions, axis=1)
        floor = likely_scatter(left.ravel(), sigmas.ravel(), _leverage(design, total).ravel())
    return floor


def _fit_axis(design, values, sigmas, floor=None):
    """Coefficients, covariance and floor of one axis; the floor makes the residuals as wide as they are."""
    if floor is not None:
        return *weighted_lstsq(design, values, np.hypot(sigmas, floor)), float(floor)
    floor = 0.0
    # The floor changes the weights, they the residuals, and those the floor.
    for _ in range(6):
        total = np.hypot(sigmas, floor)
        solution, covariance = weighted_lstsq(design, values, total)
        leverage = _leverage(design, total[:, None])[:, 0]
        again = likely_scatter(values - design @ solution, sigmas, leverage)
        if abs(again - floor) < 1e-4 * max(floor, 1e-6):
            break
        floor = again
    return solution, covariance, floor


@dataclass(frozen=True)
class ZeroPoint:
    """Magnitude of a star that gives one stored unit over the exposure, in the band of the star table."""

    value: float  # NaN where unknown
    scatter: float  # of single stars: it holds their colours
    n_stars: int

    @property
    def known(self) -> bool:
        """Whether there is one."""
        return bool(np.isfinite(self.value))

    def magnitude(self, flux: float, flux_sigma: float = 0.0) -> tuple[float, float]:
        """Magnitude and its sigma of a flux in stored units; NaN where there is no zero point."""
        if not (self.known and flux > 0):
            return float("nan"), float("nan")
        sigma = np.hypot(self.scatter, 1.0857 * flux_sigma / flux)
        return float(self.value - 2.5 * np.log10(flux)), float(sigma)

    def flux(self, magnitude: float) -> float:
        """Flux in stored units of a magnitude; NaN where there is no zero point."""
        return float(10 ** (0.4 * (self.value - magnitude)))


def zero_point(plate: PlateCheck) -> ZeroPoint:
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
    magnitude = np.asarray(stars["g"], dtype=float)
    good = np.asarray(stars["used"]) & np.isfinite(magnitude)
    good &= (np.asarray(stars["n_saturated"]) == 0) & (np.asarray(stars["snr"]) > 10)
    if good.sum() < MIN_PHOTOMETRY_STARS:
        return ZeroPoint(np.nan, np.nan, int(good.sum()))
    values = magnitude[good] + 2.5 * np.log10(np.asarray(stars["flux"])[good])
    # No zero point is better than half a per cent, however alike a few stars may be.
    return ZeroPoint(float(np.median(values)), float(max(mad_sigma(values), 0.005)), int(good.sum()))
