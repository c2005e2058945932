"""Observed minus calculated: one body on one frame, with everything needed to judge it.

Signs: *along* is positive with the motion, *across* positive 90 degrees further in position angle; the
plate's offset is the stars' observed minus catalogue, and ``dra_plate`` is the O-C with it taken off.

::

              N                 along  =  dra sin(pa) + ddec cos(pa)
              |   / motion      across =  dra cos(pa) - ddec sin(pa)
              |pa/
          E --+                 clock offset (true minus recorded) = along / rate

    prediction --> expected pixel --> candidates within the search radius --> the likeliest --> fit --> O-C
"""

from dataclasses import dataclass, field, replace

import numpy as np
from scipy import ndimage
from scipy.spatial import cKDTree

from appulse.astrometry.coma_fit import ComaFit, coma_notes, fit_coma, search_coma
from appulse.astrometry.detection import Candidate, PlaceSearch
from appulse.astrometry.elsewhere import OtherPlace, look_elsewhere, question
from appulse.astrometry.limits import prove_limit
from appulse.astrometry.pair_fit import fit_pair
from appulse.astrometry.plate import PlateCheck, ZeroPoint, check_plate, zero_point
from appulse.astrometry.prediction import Prediction, pixel_trail
from appulse.astrometry.psf import PSF, Trail, pixel_image
from appulse.astrometry.scene import FrameScene, look_around, place_score
from appulse.astrometry.scene_fit import WEAK, fit_in_scene
from appulse.astrometry.source_fit import (
    ASSUMED_WIDTH,
    Rival,
    SourceFit,
    fit_source,
    is_plain,
    light_doubt,
)
from appulse.astrometry.stamp import line_distance2
from appulse.bodies import body_label, is_comet
from appulse.constants import ARCSEC_PER_RAD
from appulse.errors import InputError, MeasurementError
from appulse.formats import make_table
from appulse.numerics import offsets_rad, unit_from_radec

MODELS = ("auto", "point", "coma")
SEARCH_ARCSEC = 3.0
SEARCH_FWHM = 1.5
CLOCK_ALLOWANCE_S = 60.0
"""The search reaches as far as a body moves in a minute, whatever else is known: clocks are that wrong."""
BARE_SNR, BARE_LISTED = 11.5, 0.5
"""Where the prediction is a bare place (no motion, no magnitude) and less than half of the frame's sources
are listed stars, place alone tells body from unlisted source: only a clear one is taken (common practice, no
source). ``min_snr`` overrules it."""
LEAST_WIDTH_ERROR = 0.005
"""No star image is known better than this where its core is lost."""
FIT_SHARE = 0.8
"""A fit gives up some signal to background and neighbours that the filter of the search did not."""
BEYOND_FWHM = 0.3
"""Sources farther than this beyond the search are taken off as stars: their places err by as much at most."""
RIVAL = 2.0
"""Difference of the logarithms of their chances below which two sources are not told apart."""
SURE = 7.0
"""And from which the chance that the other is the body, one in a thousand, is not worth a word."""
LEAST_TWO = 0.05
"""Chance of two points from which it is told."""
LEAST_ROUND = 0.45
"""Minor over major axis below which a source that no list has is no star's image."""
CORE_FWHM = 0.5
MAX_NEIGHBOURS = 6
BLIND = 0.5
"""Share of the pixels within one FWHM of a place from which nothing can be said of what stands there."""
FULL_FWHM, FULL_PX = 0.4, 1.0
"""A saturated body stands on its full pixels: within so many FWHM, or px, of the nearest of them."""
RING_SNR = 1.0
"""The light of a ring around full pixels that is fainter places nothing."""
MIDDLE_FWHM, MIDDLE_PX = 0.6, 2.0
"""And so near to the middle of them all; else they are another's, and only left out."""
FULL_LIGHT, FULL_UNEXPLAINED = 0.4, 0.3
"""Share of a full pixel's light that the fitted source must give at its brightest; and share of the columns
and of the rows of full pixels that it may leave unexplained: charge runs along one of the two only."""
MOST_TRIED, CLEARLY = 3, 0.85
"""Candidates at which a coma is fitted, and the share of chi-squared that another must fall below: a star in
a coma may stand out more than the nucleus does."""
MOST_OUTSIDE = 4.0
"""So many sizes of a frame away the motion in pixels is still that of the frame."""
KEPT_ARCSEC, KEPT_SEARCHES = 120.0, 3.0
"""A residual keeps the sources and stars of its frame within this distance, or so many search radii."""


@dataclass(frozen=True)
class Residual:
    """A body on a frame: measured, or flagged with the reason why not.

    Attributes
    ----------
    frame, time, designation : str
        File name; UTC of the effective middle, ISO.
    prediction : Prediction
    seen : bool
        False: nothing was measured, every measured number is NaN.
    x, y, ra_obs, dec_obs : float
        px; degrees by the frame's own WCS.
    dra_cosdec, ddec, along, across : float
        arcsec.
    covariance : (2, 2) array
        Of the measured place (east, north), arcsec^2.
    structure_covariance : (2, 2) array
        The part of it that structure of the background makes, arcsec^2: it stays when frames are added up.
    plate_offset : (2,) array
    plate_covariance : (2, 2) array
        Of the zero point at the body, arcsec and arcsec^2; NaN where there is none.
    n_stars : int
    snr : float
    flag : str
    fit : SourceFit or None
    notes : tuple of str
    mag_obs, sigma_mag, limit_mag : float
        Measured brightness, its error, and what would just have been seen there; NaN without zero point.
    expected_px : (float, float)
        Where it should show, the plate's error put in.
    search_arcsec, threshold : float
    others : tuple of Candidate
        Further sources within the search radius.
    elsewhere : tuple of OtherPlace
        What stands where the body would be if the hour or the longitude were wrong.
    exposure_s, clock_sigma_s : float
    aperture_arcsec : float
        Radius within which the light of `mag_obs` is counted, where it is one: of a comet.
    rms_stars : float
        RMS of what the plate's fit leaves of its stars, per axis, arcsec.
    codes : str
        The MPC's note letters that apply.
    lights : tuple of (float, float, float)
        Further lights of the surroundings that stand out of a nebula: x, y (px), light (stored units).
    plate : PlateCheck
        With what is within :data:`KEPT_ARCSEC` of the expected place: a night of whole frames would fill the
        memory.
    """

    frame: str
    time: str
    designation: str
    prediction: Prediction
    seen: bool = False
    x: float = np.nan
    y: float = np.nan
    ra_obs: float = np.nan
    dec_obs: float = np.nan
    dra_cosdec: float = np.nan
    ddec: float = np.nan
    covariance: np.ndarray = field(default_factory=lambda: np.full((2, 2), np.nan))
    structure_covariance: np.ndarray = field(default_factory=lambda: np.zeros((2, 2)))
    plate_offset: np.ndarray = field(default_factory=lambda: np.full(2, np.nan))
    plate_covariance: np.ndarray = field(default_factory=lambda: np.full((2, 2), np.nan))
    n_stars: int = 0
    snr: float = np.nan
    flag: str = ""
    fit: SourceFit | None = field(default=None, repr=False)
    notes: tuple = ()
    mag_obs: float = np.nan
    sigma_mag: float = np.nan
    limit_mag: float = np.nan
    expected_px: tuple = (np.nan, np.nan)
    search_arcsec: float = np.nan
    threshold: float = np.nan
    others: tuple = ()
    elsewhere: tuple[OtherPlace, ...] = field(default=(), repr=False)
    exposure_s: float = np.nan
    clock_sigma_s: float = np.nan
    aperture_arcsec: float = np.nan
    rms_stars: float = np.nan
    codes: str = ""
    mid: object = field(default=None, repr=False)
    lights: tuple[tuple[float, float, float], ...] = field(default=(), repr=False)
    plate: PlateCheck | None = field(default=None, repr=False)

    @property
    def label(self) -> str:
        """What people read of the body: '(7) Iris'."""
        return body_label(self.designation)

    @property
    def rotation(self) -> np.ndarray:
        """(east, north) to (along, across); NaN without a motion."""
        pa = np.radians(self.prediction.motion_pa)
        return np.array([[np.sin(pa), np.cos(pa)], [np.cos(pa), -np.sin(pa)]])

    @property
    def along(self) -> float:
        """O-C along the motion by the frame's own WCS, arcsec."""
        return float((self.rotation @ [self.dra_cosdec, self.ddec])[0])

    @property
    def across(self) -> float:
        """O-C across the motion by the frame's own WCS, arcsec."""
        return float((self.rotation @ [self.dra_cosdec, self.ddec])[1])

    @property
    def sigma_sky(self) -> tuple[float, float]:
        """One sigma of the measured place, east and north, arcsec."""
        return tuple(np.sqrt(np.diag(self.covariance)))

    @property
    def sigma_motion(self) -> tuple[float, float]:
        """One sigma of the measured place, along and across, arcsec."""
        return tuple(np.sqrt(np.diag(self.rotation @ self.covariance @ self.rotation.T)))

    @property
    def corrected(self) -> np.ndarray:
        """O-C (east, north), plate-corrected, arcsec; NaN without a zero point."""
        return np.array([self.dra_cosdec, self.ddec]) - self.plate_offset

    @property
    def corrected_covariance(self) -> np.ndarray:
        """Of :attr:`corrected`, arcsec^2: measured place and plate's offset; NaN without a zero point."""
        return self.covariance + self.plate_covariance

    def row(self) -> dict:
        """The columns of the residual table."""
        both = self.corrected_covariance
        sigma_corrected = np.sqrt(np.diag(both))
        along_across = self.rotation @ self.corrected
        sigma_turned = np.sqrt(np.diag(self.rotation @ both @ self.rotation.T))
        sigma_ra, sigma_dec = self.sigma_sky
        sigma_along, sigma_across = self.sigma_motion
        dra_plate, ddec_plate = self.corrected
        plate_ra, plate_dec = np.sqrt(np.diag(self.plate_covariance))
        return {
            "frame": self.frame, "time": self.time, "designation": self.designation,
            "x": self.x, "y": self.y, "ra_obs": self.ra_obs, "dec_obs": self.dec_obs,
            "ra_calc": self.prediction.ra, "dec_calc": self.prediction.dec,
            "dra_cosdec": self.dra_cosdec, "ddec": self.ddec, "along": self.along, "across": self.across,
            "sigma_ra": sigma_ra, "sigma_dec": sigma_dec,
            "sigma_along": sigma_along, "sigma_across": sigma_across,
            "plate_dra": self.plate_offset[0], "plate_ddec": self.plate_offset[1],
            "dra_plate": dra_plate, "ddec_plate": ddec_plate,
            "n_stars": self.n_stars, "snr": self.snr, "flag": self.flag,
            "corr_ra_dec": self.covariance[0, 1] / (sigma_ra * sigma_dec) if self.seen else np.nan,
            "sigma_plate_ra": plate_ra, "sigma_plate_dec": plate_dec,
            "rate": self.prediction.rate, "motion_pa": self.prediction.motion_pa,
            "mag_calc": self.prediction.mag, "mag_obs": self.mag_obs, "sigma_mag": self.sigma_mag,
            "exposure": self.exposure_s, "sigma_time": self.clock_sigma_s,
            "aperture": self.aperture_arcsec, "rms_stars": self.rms_stars, "note_codes": self.codes,
            "along_plate": along_across[0], "across_plate": along_across[1],
            "sigma_dra_plate": sigma_corrected[0], "sigma_ddec_plate": sigma_corrected[1],
            "sigma_along_plate": sigma_turned[0], "sigma_across_plate": sigma_turned[1],
        }  # fmt: skip


def measure(frame, prediction, plate: PlateCheck | None = None, *, search_arcsec: float | None = None,
            free_trail: bool = False, at_pixel=None, min_snr: float | None = None,
            radius_px: float | None = None, model: str = "auto") -> Residual:  # fmt: skip
    """Measure one body on one frame.

    Parameters
    ----------
    frame : SolvedFrame
    prediction : Prediction, or a row of an ephemeris table
        At the effective middle of the frame.
    plate : PlateCheck, optional
        Without it the frame is looked at here, and nothing is corrected.
    search_arcsec : float, optional
        How far from the predicted place to look; by default three sigmas of prediction and plate, what the
        clock may do, and one and a half FWHM.
    free_trail : bool
        Fit the trail's length and direction too.
    at_pixel : (float, float), optional
        Measure the source that was pointed at instead of searching at the predicted place.
    min_snr : float, optional
        Least signal to noise of the fit; by default what noise does not reach, and 11.5 where neither motion
        nor brightness can tell the body from the many unlisted sources.
    radius_px : float, optional
        Radius of the aperture within which pixels are fitted; by default as the seeing asks.
    model : {'auto', 'point', 'coma'}
        What is fitted: a point, or a nucleus in a coma; by default a coma where the body is a comet.

    Returns
    -------
    Residual
        Not seen, outside or spoilt: flagged with the reason, measured numbers NaN.

    Raises
    ------
    MeasurementError
        If the frame has no usable pixel at all.
    TableError
        If the prediction has no place.
    InputError
        `model` is none of the three.

    Examples
    --------
    >>> import appulse
    >>> frame = appulse.example_frame()
    >>> row = appulse.open_bodies("7").in_frame(frame)[0]
    >>> residual = appulse.measure(frame, row)
    >>> residual.seen, residual.snr > 100, abs(residual.dra_cosdec) < 1
    (True, True, True)
    """
    prediction = Prediction.from_row(prediction)
    plate = plate if plate is not None else check_plate(frame, None)
    pointed = at_pixel is not None
    expected = at_pixel if pointed else plate.true_pixel(prediction.ra, prediction.dec)
    ny, nx = frame.shape
    inside = np.isfinite(expected[0]) and -0.5 <= expected[0] <= nx - 0.5 and -0.5 <= expected[1] <= ny - 0.5
    if not inside:
        away = frame.away_deg(prediction.ra, prediction.dec)
        words = f"outside the frame: {away:.1f} degrees from its centre"
        more = {} if pointed else _elsewhere_of_outside(frame, plate, prediction, expected, words)
        return _residual(frame, prediction, plate, expected, {"flag": words} | more)
    zero, trail = zero_point(plate), pixel_trail(frame, *expected, prediction)
    coma = has_coma(prediction.designation, model)
    if coma and frame.exposure is not None:
        prediction = prediction.with_sun(frame.observer, frame.exposure.mid)
    search = _search(frame, prediction, plate, expected, zero, trail, search_arcsec, pointed, coma)
    found = _plate_columns(plate, *expected) | {
        "search_arcsec": search.radius_arcsec, "threshold": search.found.threshold,
        "others": search.others, "lights": search.found.lights,
    }  # fmt: skip
    # Also where a light is measured: the night may come to judge it a stray one.
    places, wider = ((), "") if pointed else look_elsewhere(
        frame, plate, prediction, expected, search.found.radius, zero
    )  # fmt: skip
    found["elsewhere"] = places
    try:
        try:
            fit = _fit(frame, plate, search, expected, trail, free_trail, radius_px)
        except _NotItsFullPixels:
            where = search_arcsec, pointed, coma, False
            without = _search(frame, prediction, plate, expected, zero, trail, *where)
            found["others"] = without.others
            if without.chosen is None:
                raise  # nothing else is there: whether the full pixels are the body's stays open
            search = without
            fit = _fit(frame, plate, search, expected, trail, free_trail, radius_px)
        _demand(fit, prediction, plate, search, expected, min_snr, pointed)
    except (MeasurementError, np.linalg.LinAlgError) as error:
        reason = str(error) if isinstance(error, MeasurementError) else "the pixels there carry no fit"
        reason = reason if reason.startswith("not ") else f"not measured: {reason}"
        # A limit, what was searched and what else stands there are known all the same.
        where = search, expected, trail, zero, pointed, min_snr, reason, found["elsewhere"], wider
        found |= _not_seen(prediction, plate, *where)
        return _residual(frame, prediction, plate, expected, found)
    found |= measured_columns(frame, prediction, plate, fit) | _light_columns(frame, plate, fit, zero)
    found["limit_mag"] = zero.magnitude(_least_flux(fit, search.found, plate.survey.noise))[0]
    flags = _flag(fit, frame.exposure, prediction, found["covariance"]), _rival(search, plate, fit)
    found["flag"] = "; ".join(filter(None, (*flags, _faults(fit, plate.survey))))
    found["notes"] = _notes(fit, plate, prediction, search)
    found |= {"rms_stars": _rms_of_stars(plate), "codes": _note_codes(fit)}
    if isinstance(fit, ComaFit):
        light = found.get("mag_obs", np.nan), found.get("sigma_mag", np.nan)
        found["aperture_arcsec"] = fit.aperture_px * plate.pixel_scale
        found["notes"] += coma_notes(fit, prediction, frame.jacobian(fit.x, fit.y), frame.filter, light)
    return _residual(frame, prediction, plate, expected, found)


def _elsewhere_of_outside(frame, plate, prediction, expected, flag) -> dict:
    """Where on the frame a body shows that should not be on it, if the hour or the longitude is wrong."""
    if not (np.isfinite(expected).all() and np.max(np.abs(expected)) < MOST_OUTSIDE * max(frame.shape)):
        return {}
    radius = search_radius(frame, prediction, plate, plate.survey.psf.fwhm) / frame.pixel_scale
    places, _ = look_elsewhere(frame, plate, prediction, expected, radius, zero_point(plate))
    asked = question(places)
    return {"elsewhere": places} | ({"flag": f"{flag}; {asked}", "notes": (asked,)} if asked else {})


def has_coma(designation: str, model: str = "auto") -> bool:
    """Whether a nucleus in a coma is fitted: to comets, unless `model` says otherwise."""
    if model not in MODELS:
        raise InputError(f"model {model!r}: {', '.join(MODELS)} are allowed")
    return model == "coma" or (model == "auto" and is_comet(designation))


def _not_seen(
    prediction, plate, search: "BodySearch", expected, trail, zero, pointed, min_snr, reason, places, wider
) -> dict:  # fmt: skip
    """What is said of a body that was not measured: why, how bright it could be, and where else it may be."""
    if pointed:
        return {"flag": reason}
    chosen = None if search.coma else search.chosen
    if chosen is not None and _full_body(search.scene, chosen, expected) is not None:
        # Full pixels are light for certain: how faint a body would show, or where else, is beside the point.
        why = reason.removeprefix("not measured: ")
        return {"flag": f"not measured: a saturated source is there, and its ring carries no fit ({why})"}
    notes, magnitude = [], np.nan
    if zero.known:
        limit = prove_limit(
            search.scene, *expected, trail, search.found,
            choose=lambda found: _choose(found, plate, search.psf, zero)[0],
            least_snr=_least_snr(prediction, plate, search, min_snr, pointed)[0],
        )  # fmt: skip
        magnitude = zero.magnitude(limit.flux)[0] if np.isfinite(limit.flux) else np.nan
        notes.append(limit.words)
    if np.isfinite(magnitude):
        reason += f" (limit there {magnitude:.1f} mag)"
        notes[-1] = (
            f"limit of {magnitude:.1f} mag: at least half of such bodies planted there are found and "
            "measured, and a brighter one would show less light at the place only once in ten"
        )
    asked = [words for words in (question(places), wider) if words]
    if asked:
        reason += f"; {asked[0]}"
    return {"flag": reason, "limit_mag": float(magnitude), "notes": (*notes, *asked[:1])}


def _residual(frame, prediction: Prediction, plate: PlateCheck, expected, found: dict) -> Residual:
    """What is known of any body on any frame, and what was found of this one."""
    exposure, clock = frame.exposure, frame.exposure.clock_sigma_s
    kept = max(KEPT_ARCSEC, KEPT_SEARCHES * np.nan_to_num(found.get("search_arcsec", np.nan)))
    return Residual(
        frame.name, exposure.mid.utc.isot, prediction.designation, prediction, n_stars=plate.n_stars,
        exposure_s=exposure.seconds, clock_sigma_s=np.nan if clock is None else float(clock),
        mid=exposure.mid, expected_px=expected,
        plate=plate.around(*expected, kept / plate.pixel_scale), **found,
    )  # fmt: skip


def residual_table(residuals, provenance=None):
    """The residual table of a run.

    Parameters
    ----------
    residuals : sequence of Residual
    provenance : dict, optional
        From :func:`appulse.formats.provenance.provenance`.

    Returns
    -------
    Table
        See :data:`appulse.formats.residual_table.COLUMNS`.
    """
    return make_table([residual.row() for residual in residuals], provenance)


class _NotItsFullPixels(MeasurementError):
    """The saturated pixels that a candidate stands on are not those of one point of light."""


@dataclass(frozen=True)
class BodySearch:
    """What the search around a predicted place gave: the light to fit, or why there is none."""

    found: PlaceSearch
    psf: PSF
    radius_arcsec: float
    chosen: Candidate | None
    others: tuple[Candidate, ...]
    reason: str  # why nothing was chosen
    scene: FrameScene
    coma: bool = False
    tailward: tuple[float, float] | None = None  # away from the Sun, px; as long as the sine of the phase


def search_radius(frame, prediction: Prediction, plate: PlateCheck, fwhm_px: float) -> float:
    """How far to look, arcsec."""
    clock = frame.exposure.clock_sigma_s or 0.0
    rate = 0.0 if not np.isfinite(prediction.rate) else prediction.rate / 3600.0
    sigma = 0.0 if not np.isfinite(prediction.sigma) else prediction.sigma
    # In quadrature: they are independent, and every arcsecond more costs depth and lets impostors in.
    parts = [
        max(SEARCH_ARCSEC, SEARCH_FWHM * fwhm_px * frame.pixel_scale),
        3.0 * sigma,
        max(3.0 * clock, CLOCK_ALLOWANCE_S) * rate,
        0.0 if plate.corrected else 5.0,
    ]
    return float(np.sqrt(np.sum(np.square(parts))))


def _search(
    frame, prediction, plate, expected, zero: ZeroPoint, trail, search_arcsec, pointed, coma, full=True
) -> BodySearch:  # fmt: skip
    """Look around the expected pixel, and choose what can be the body; `full` pixels may be its own."""
    psf = plate.survey.psf.at(*expected)
    radius = search_arcsec
    if not radius:
        # Who points at a source means that one, not its neighbour.
        fwhm = 1.5 * psf.fwhm * frame.pixel_scale
        radius = fwhm if pointed else search_radius(frame, prediction, plate, psf.fwhm)
    scene = scene_of(frame, plate, expected, radius / frame.pixel_scale, psf, trail, zero, pointed)
    if not full:
        scene = replace(scene, good=scene.good & ~scene.full, full=np.zeros_like(scene.full))
    if coma:
        found = search_coma(scene, *expected, radius / frame.pixel_scale, trail)
    else:
        found = scene.search(*expected, radius / frame.pixel_scale, trail)
    chosen, star = _choose(found, plate, psf, zero)
    if chosen is None and star is None and not coma:
        chosen = _full_there(scene, expected, found, plate, psf, zero)
    if chosen is not None:
        others = tuple(candidate for candidate in found.candidates if candidate is not chosen)
        tailward = _tailward(frame, prediction, expected)
        return BodySearch(found, psf, radius, chosen, others, "", scene, coma, tailward)
    star = star or _star_at(plate, *expected, psf, zero, found.flux_limit)
    if star is not None:
        reason = f"not measured: the source within {radius:.1f} arcsec is the star {star}"
    elif found.doubtful is not None:
        away = found.doubtful.distance * frame.pixel_scale
        reason = (
            f"not measured: a light of {found.doubtful.snr:.1f} sigma stands {away:.1f} arcsec off, but the "
            "surroundings show such lights too"
        )
    elif blind := _blind_there(scene, expected):
        reason = f"not measured: {blind}"
    else:
        reason = f"not seen: nothing above {found.threshold:.1f} sigma within {radius:.1f} arcsec"
    return BodySearch(found, psf, radius, None, (), reason, scene, coma)


def scene_of(
    frame, plate, place, radius_px, psf, trail, zero: ZeroPoint, pointed: bool = False
) -> FrameScene:  # fmt: skip
    """The surroundings of a place on a frame, its catalogue stars and other sources modelled."""
    survey = plate.survey
    stars, sources = plate.field_stars, survey.sources
    listed = np.column_stack([stars["x"], stars["y"]]) if len(stars) else np.zeros((0, 2))
    magnitudes = np.asarray(stars["g"], dtype=float) if len(stars) else np.zeros(0)
    names = np.asarray(stars["name"]) if len(stars) else np.zeros(0, str)
    if pointed:
        # Who points at a star wants that star measured.
        far = np.hypot(*(listed - place).T) > max(radius_px, psf.fwhm)
        listed, magnitudes, names = listed[far], magnitudes[far], names[far]
    found = np.column_stack([sources["x"], sources["y"]]) if len(sources) else np.zeros((0, 2))
    # What stands where the body can be may be the body or a lump of its trail: not taken off. A bright star
    # just beyond is neither, and its light would drown what is sought.
    ends = trail.ends[0, 0], trail.ends[-1, 1]
    off = line_distance2(found[:, 0] - place[0], found[:, 1] - place[1], *ends)
    keep = off > (radius_px + BEYOND_FWHM * psf.fwhm) ** 2
    if len(sources):
        # Lumps of a filament and of a bled column are no stars: taken off, they would leave sources between.
        keep &= np.asarray(sources["round"]) > LEAST_ROUND
    if len(listed) and len(found):
        keep &= cKDTree(listed).query(found)[0] > 0.8 * psf.fwhm
    found = found[keep]
    brightness = np.asarray(sources["flux"], dtype=float)[keep] if len(sources) else np.zeros(0)
    fluxes = [zero.flux(m) if zero.known else np.nan for m in magnitudes]
    return look_around(
        survey.pixels, *place, radius_px, psf, survey.noise, trail=trail, listed=listed, found=found,
        fluxes=[*fluxes, *brightness], names=names, bad=survey.no_light, saturated=survey.full,
        colours=survey.colours, trails=survey.trails,
    )  # fmt: skip


def _choose(found: PlaceSearch, plate: PlateCheck, psf: PSF, zero: ZeroPoint):
    """The likeliest candidate, and the catalogue star that bars the way where there is one."""
    blend = None
    best, best_score = None, -np.inf
    for candidate in found.candidates:
        score = place_score(candidate, found)
        star = _star_at(plate, candidate.x, candidate.y, psf, zero, found.flux_limit)
        if star is not None:
            # Its light is off: what is left there may be a body, but more likely the star's own misfit.
            blend = star
            score -= 5.0
        if score > best_score:
            best, best_score = candidate, score
    return best, blend


def _star_at(plate: PlateCheck, x, y, psf: PSF, zero: ZeroPoint, flux_limit) -> str | None:
    """Name of a catalogue star whose image would stand at a pixel, bright enough to be taken for the body."""
    stars = plate.field_stars
    if len(stars) == 0:
        return None
    distance = np.hypot(np.asarray(stars["x"]) - x, np.asarray(stars["y"]) - y)
    for i in np.flatnonzero(distance < max(0.6 * psf.fwhm, 1.0)):
        # A star far below the limit may help a candidate over it, but is none.
        if not zero.known or zero.flux(float(stars["g"][i])) > 0.3 * flux_limit:
            return str(stars["name"][i]) or "a catalogue star"
    return None


def _fit(frame, plate: PlateCheck, search: BodySearch, expected, trail, free_trail, radius_px) -> SourceFit:
    """Fit the chosen light; refused where there is none, or where the fit ran off to another."""
    if search.chosen is None:
        raise MeasurementError(search.reason)
    survey, chosen, psf, scene = plate.survey, search.chosen, search.psf, search.scene
    full = None if search.coma else _full_body(scene, chosen, expected)
    if full is not None:
        # A ring about full pixels is so bright that structure does not matter; charge that ran looks alike.
        chosen = replace(chosen, x=full[0], y=full[1])
    if search.coma:
        fit = _fit_coma(search, trail, radius_px)
    elif (full is not None and not scene.is_mosaic) or _is_plain_place(scene, chosen, trail):
        fit = fit_source(
            survey.pixels, chosen.x, chosen.y, psf, survey.noise, trail=trail, bad=survey.no_light,
            saturation=survey.saturation, neighbours=_neighbours(survey.sources, psf, trail, chosen),
            free_trail=free_trail, radius=radius_px,
        )  # fmt: skip
    else:
        fit = fit_in_scene(scene, chosen.x, chosen.y, trail=trail, radius=radius_px, free_trail=free_trail)
    if full is not None and not _explains_full(scene, fit):
        raise _NotItsFullPixels("not measured: the saturated pixels there are not of one point of light")
    if full is None and not search.coma:
        fit = _of_two(search, fit, expected, trail, radius_px, free_trail)
        fit = replace(fit, n_saturated=_full_in_core(scene, fit))
    if not (np.isfinite([fit.x, fit.y]).all() and np.isfinite(fit.cov).all()):
        raise MeasurementError("the fit did not settle")
    if fit.n_saturated:
        # From a ring light follows by the image's width: d ln(flux) / d ln(width) = (r / sigma)^2.
        steep = max(fit.n_saturated / (np.pi * fit.psf.sigma**2), 1.0)
        doubt = steep * max(fit.psf.width_error, LEAST_WIDTH_ERROR) * fit.flux
        fit = replace(fit, flux_sigma=float(np.hypot(fit.flux_sigma, doubt)))
    away = np.hypot(fit.x - expected[0], fit.y - expected[1]) * frame.pixel_scale
    if away > search.radius_arcsec + psf.fwhm * frame.pixel_scale:
        raise MeasurementError(f"not seen: nearest source lies beyond {search.radius_arcsec:.1f} arcsec")
    return fit


def _of_two(search: BodySearch, fit: SourceFit, expected, trail, radius_px, free_trail) -> SourceFit:
    """The fit of the likelier of two points of light, where its dot is one of two; else the fit as it is.

    What the place and the pixels leave of the chance that the body is the other one is in its covariance.
    """
    pair = fit_pair(search.scene, fit, trail=trail, radius=radius_px, free_trail=free_trail)
    if pair is None:
        return fit
    scores = []
    for each in (pair.first, pair.second):
        away = float(np.hypot(each.x - expected[0], each.y - expected[1]))
        scores.append(place_score(Candidate(each.x, each.y, each.snr, away), search.found))
    odds = pair.odds + scores[0] - scores[1]
    body, other = (pair.first, pair.second) if odds >= 0 else (pair.second, pair.first)
    share = float(1.0 / (1.0 + np.exp(min(abs(odds), 500.0))))
    two = float(1.0 / (1.0 + np.exp(-np.clip(pair.evidence, -500.0, 500.0))))
    # One point, or two and the body the one or the other: the likelier place, and the spread of them all.
    chances = (1 - two, fit), (two * (1 - share), body), (two * share, other)
    taken = body if two >= 0.5 else fit
    cov = np.zeros((2, 2))
    for chance, each in chances:
        step = np.array([each.x - taken.x, each.y - taken.y])
        cov += chance * (each.cov + np.outer(step, step))
    if taken is fit:
        return replace(fit, cov=cov, two=two)
    return replace(body, cov=cov, rival=Rival(float(abs(odds)), share, other, body.cov))


def _tailward(frame, prediction, expected):
    """Direction away from the Sun in pixels, foreshortened; None where it is not known."""
    if not np.isfinite(prediction.antisolar_pa):
        return None
    pa = np.radians(prediction.antisolar_pa)
    axis = np.linalg.solve(frame.jacobian(*expected), [np.sin(pa), np.cos(pa)])
    seen = (prediction.antisolar_length, np.sin(np.radians(prediction.phase)))
    seen = next((value for value in seen if np.isfinite(value)), 1.0)
    return tuple(float(v) for v in seen * axis / np.hypot(*axis))


def _fit_coma(search: BodySearch, trail, radius_px) -> ComaFit:
    """The fit of a coma at the likeliest candidate, or at another that explains the pixels clearly better."""
    best, reason = None, None
    for candidate in (search.chosen, *search.others[: MOST_TRIED - 1]):
        try:
            # What else stands out there may be stars in no list, which would pull the coma's middle.
            stars = [
                (other.x, other.y) for other in (search.chosen, *search.others[: MOST_TRIED - 1])
                if np.hypot(other.x - candidate.x, other.y - candidate.y) > search.psf.fwhm
            ]  # fmt: skip
            fit = fit_coma(
                search.scene, candidate.x, candidate.y, trail=trail, radius=radius_px, others=stars,
                tailward=search.tailward,
            )  # fmt: skip
        except MeasurementError as error:
            reason = reason or error
            continue
        if best is None or fit.chi2_per_dof < CLEARLY * best.chi2_per_dof:
            best = fit
    if best is None:
        raise reason
    return best


def _is_plain_place(scene: FrameScene, chosen: Candidate, trail) -> bool:
    """Whether there is nothing but the body and an even sky, on a sensor of one colour."""
    if scene.is_mosaic or scene.is_rough:
        return False
    rows, columns = np.indices(scene.pixels.shape)
    dx, dy = columns + scene.x0 - chosen.x, rows + scene.y0 - chosen.y
    near = line_distance2(dx, dy, trail.ends[0, 0], trail.ends[-1, 1]) < (2.2 * scene.psf.fwhm) ** 2
    return not (scene.other_light[near] > WEAK * np.sqrt(scene.variance[near])).any()


def _full_there(scene, expected, found: PlaceSearch, plate, psf: PSF, zero) -> Candidate | None:
    """A saturated source within the search, which has no peak to be found by; None for a catalogue star."""
    middle = _full_middle(scene, *expected, found.radius)
    if middle is None:
        return None
    away = float(np.hypot(middle[0] - expected[0], middle[1] - expected[1]))
    if away > found.radius or _star_at(plate, *middle, psf, zero, found.flux_limit) is not None:
        return None
    return Candidate(*middle, found.threshold, away)


def _blind_there(scene: FrameScene, expected) -> str:
    """Why nothing could show at the expected place: most of its pixels are full, or no light; else ''."""
    rows, columns = np.indices(scene.good.shape)
    near = np.hypot(columns + scene.x0 - expected[0], rows + scene.y0 - expected[1]) < scene.psf.fwhm
    blind = near & ~(scene.good & ~scene.full)
    n, of = int(blind.sum()), int(near.sum())
    return f"{n} of the {of} pixels at the expected place are full, or no light" if n > BLIND * of else ""


def _full_pixels(scene: FrameScene) -> np.ndarray:
    """The full pixels of a scene without the neighbours that are masked with them."""
    # Twice they were widened by a pixel: where the frame was looked at, and where the scene was cut.
    return ndimage.binary_erosion(scene.full, iterations=2, border_value=True) & scene.good


def _full_region(scene: FrameScene, x: float, y: float, reach: float) -> np.ndarray | None:
    """The full pixels that hang together and come within reach of a place, px; None where there are none."""
    if not scene.full.any():
        return None
    full = _full_pixels(scene)
    rows, columns = np.indices(full.shape)
    labels, _ = ndimage.label(full, np.ones((3, 3)))
    touched = labels[(np.hypot(columns + scene.x0 - x, rows + scene.y0 - y) <= reach) & full]
    return labels == np.bincount(touched).argmax() if len(touched) else None


def _full_middle(scene: FrameScene, x: float, y: float, reach: float) -> tuple[float, float] | None:
    """Middle of the full pixels within reach of a place, zero-based px; None where there are none."""
    region = _full_region(scene, x, y, reach)
    if region is None:
        return None
    columns = np.indices(region.shape)[1]
    # Charge runs along columns, thin; where the star is the full pixels are broad.
    width = region.sum(axis=1).astype(float)
    width = np.where(width > 0.5 * width.max(), width, 0.0) ** 2
    middles = np.where(region, columns, 0).sum(axis=1) / np.maximum(region.sum(axis=1), 1)
    x, y = width @ middles / width.sum(), width @ np.arange(len(width)) / width.sum()
    return float(x + scene.x0), float(y + scene.y0)


def _full_body(scene: FrameScene, chosen: Candidate, expected) -> tuple[float, float] | None:
    """Middle of the full pixels that a candidate stands on; None where it is not they that it stands on."""
    fwhm = scene.psf.fwhm
    reach = max(FULL_FWHM * fwhm, FULL_PX)
    middle = _full_middle(scene, chosen.x, chosen.y, reach)
    if middle is None:
        return None
    most = max(MIDDLE_FWHM * fwhm, MIDDLE_PX)
    if np.hypot(middle[0] - expected[0], middle[1] - expected[1]) < chosen.distance:
        # A broad core shows at its rim only: it is the body's if it stands where the body is likelier.
        most = max(most, 0.5 * _full_region(scene, chosen.x, chosen.y, reach).sum(axis=1).max() + reach)
    away = np.hypot(middle[0] - chosen.x, middle[1] - chosen.y)
    return middle if away <= most else None


def _explains_full(scene: FrameScene, fit: SourceFit) -> bool:
    """Whether full pixels lie where a fitted source is bright: across the way on which charge runs."""
    region = _full_region(scene, fit.x, fit.y, max(MIDDLE_FWHM * scene.psf.fwhm, MIDDLE_PX))
    if region is None:
        return False
    rows, columns = np.nonzero(region)
    light = pixel_image(fit.psf, fit.x - scene.x0, fit.y - scene.y0, columns, rows, fit.trail)[0]
    if fit.flux * light.max() < FULL_LIGHT * np.median(scene.pixels[region]):
        return False
    # What is brighter than any pixel that is not full must be full itself: the scene's own level says where.
    open_ = scene.good & ~scene.full
    least = float(np.max(scene.pixels[open_], initial=0.0)) / max(fit.flux, 1e-300)
    lit = light > min(least, 0.5 * float(light.max()))
    for places in (columns, rows):
        extent = np.unique(places)
        left = np.setdiff1d(extent, places[lit])
        if len(left) <= 1 + FULL_UNEXPLAINED * len(extent):
            return True
    return False


def _full_in_core(scene: FrameScene, fit: SourceFit) -> int:
    """Full pixels in the core of a fit."""
    rows, columns = np.nonzero(_full_pixels(scene))
    ends = fit.trail.ends[0, 0], fit.trail.ends[-1, 1]
    away2 = line_distance2(columns + scene.x0 - fit.x, rows + scene.y0 - fit.y, *ends)
    return int(np.sum(away2 < (CORE_FWHM * fit.psf.fwhm) ** 2))


def _neighbours(sources, psf: PSF, trail: Trail, chosen: Candidate) -> tuple:
    """Detected sources within the stamp that are not the body or a lump of its own trail, nearest first."""
    if len(sources) == 0:
        return ()
    dx, dy = np.asarray(sources["x"]) - chosen.x, np.asarray(sources["y"]) - chosen.y
    off_trail = np.sqrt(line_distance2(dx, dy, trail.ends[0, 0], trail.ends[-1, 1]))
    near = (off_trail > 0.9 * psf.fwhm) & (off_trail < 3.4 * psf.fwhm + 4.0)
    near &= np.asarray(sources["round"]) > LEAST_ROUND
    order = np.flatnonzero(near)[np.argsort(off_trail[near])][:MAX_NEIGHBOURS]
    return tuple((float(sources["x"][i]), float(sources["y"][i])) for i in order)


def _demand(fit, prediction, plate, search: BodySearch, expected, min_snr, pointed) -> None:
    """Refuse a source too faint to be told from noise, or from unlisted sources if only its place speaks."""
    on_full = search.chosen is not None and _full_body(search.scene, search.chosen, expected) is not None
    if fit.n_saturated and min_snr is None and on_full:
        # Full pixels are light for certain, but what is left of their ring may not say where its middle is.
        if not fit.snr > RING_SNR:
            raise MeasurementError(
                f"not measured: S/N {fit.snr:.1f} around the saturated pixels, {RING_SNR:.0f} is needed"
            )
        return
    least, why = _least_snr(prediction, plate, search, min_snr, pointed)
    if fit.snr < least:
        away = float(np.hypot(fit.x - expected[0], fit.y - expected[1]))
        short = np.floor(10 * fit.snr) / 10  # never the number that is asked for
        raise MeasurementError(
            f"not seen for certain: {short:.1f} sigma {away * plate.pixel_scale:.1f} arcsec off; "
            f"{least:.1f} are needed{why}"
        )


def _least_snr(prediction, plate, search: BodySearch, min_snr, pointed) -> tuple[float, str]:
    """Signal to noise that a fit must have, and why where that is unusual."""
    if min_snr is not None:
        return min_snr, ""
    bare = not (np.isfinite(prediction.rate) or np.isfinite(prediction.mag) or pointed)
    if bare and len(plate.stars) < BARE_LISTED * len(plate.survey.sources):
        why = ", as without motion and magnitude only place tells it from others (min_snr overrules)"
        return BARE_SNR, why
    return FIT_SHARE * search.found.threshold, ""


def _plate_columns(plate: PlateCheck, x: float, y: float) -> dict:
    """The plate's zero point at a pixel."""
    dra, ddec, covariance = plate.local_offset(x, y)
    return {"plate_offset": np.array([dra, ddec]), "plate_covariance": covariance}


def measured_columns(frame, prediction: Prediction, plate: PlateCheck, fit: SourceFit) -> dict:
    """Measured place, O-C and covariance."""
    ra, dec = (float(v) for v in frame.to_sky(fit.x, fit.y))
    calculated = unit_from_radec(prediction.ra, prediction.dec)
    xi, eta = offsets_rad(calculated, unit_from_radec(ra, dec))
    jacobian = frame.jacobian(fit.x, fit.y)
    covariance = jacobian @ fit.cov @ jacobian.T + _pauses(frame.exposure, prediction)
    structure = np.zeros((2, 2)) if fit.structure_cov is None else jacobian @ fit.structure_cov @ jacobian.T
    # Images unlike the model displace the body as they displace stars, on every frame in the same way.
    common = np.zeros((2, 2)) if plate.model is None else plate.model.scatter**2 * np.eye(2)
    covariance, structure = covariance + common, structure + common
    return _plate_columns(plate, fit.x, fit.y) | {
        "seen": True, "fit": fit, "x": fit.x, "y": fit.y, "snr": fit.snr, "ra_obs": ra, "dec_obs": dec,
        "dra_cosdec": float(xi) * ARCSEC_PER_RAD, "ddec": float(eta) * ARCSEC_PER_RAD,
        "covariance": covariance, "structure_covariance": structure,
    }  # fmt: skip


def _light_columns(frame, plate: PlateCheck, fit: SourceFit, zero: ZeroPoint) -> dict:
    """Magnitude and its error, which holds what an image unlike the model leaves open."""
    magnitude, sigma = zero.magnitude(fit.flux, fit.flux_sigma)
    if not np.isfinite(magnitude):
        return {}
    sigma = np.hypot(sigma, _light_doubt(plate.survey, fit))
    if fit.rival is not None:
        other = 2.5 * np.log10(max(fit.rival.fit.flux, 1e-3 * fit.flux) / fit.flux)
        sigma = np.hypot(sigma, np.sqrt(fit.rival.share) * other)
    # A magnitude whose error is not known is not given.
    return {"mag_obs": magnitude, "sigma_mag": float(sigma)} if np.isfinite(sigma) else {}


def _light_doubt(survey, fit: SourceFit) -> float:
    """What another image than the model's makes of the light, mag; NaN where that is not known."""
    if isinstance(fit, ComaFit):
        return 0.0  # its sigma holds the level of the sky, which is what matters
    if survey.colours is None:
        return light_doubt(survey.pixels, fit, survey.noise, survey.saturation)
    # One brightness in a wide aperture over pixels of several colours would say nothing.
    return 2.2 * fit.psf.width_error if is_plain(fit) and not fit.psf.width_error > ASSUMED_WIDTH else np.nan


def _least_flux(fit: SourceFit, found: PlaceSearch, noise) -> float:
    """Light that would just have been found where a body was measured: its own photons are not in the way."""
    sigma2 = (fit.flux / fit.snr) ** 2 / max(fit.chi2_per_dof, 1.0)  # nor is what its image misses
    dark2 = max(sigma2 - fit.flux / noise.gain_e_adu, 0.1 * sigma2)
    return max(found.flux_limit, found.threshold * float(np.sqrt(dark2)))


def _pauses(exposure, prediction: Prediction) -> np.ndarray:
    """What pauses at unknown moments leave open along the motion, as a covariance in arcsec^2."""
    # The fit takes the light as even over the span; where it was not, the dot's shape pulls the place along.
    if not np.isfinite(prediction.rate):
        return np.zeros((2, 2))
    step = np.array([prediction.ra_rate, prediction.dec_rate]) / 3600.0 * exposure.middle_sigma_s
    return np.outer(step, step)


def _flag(fit: SourceFit, exposure, prediction: Prediction, covariance) -> str:
    """What is not as it should be with a measured body; empty where nothing is."""
    flags = []
    if np.trace(_pauses(exposure, prediction)) > 0.25 * np.trace(covariance):
        flags.append(
            f"pauses at unknown moments: {exposure.middle_sigma_s:.0f} s of doubt along the motion (a table "
            "EXPOSURES in the frame would lift it)"
        )
    if fit.n_saturated:
        flags.append(f"saturated core ({fit.n_saturated} px): fitted from its ring")
    if fit.phase_error_px >= 0.0005:  # as it is written
        flags.append(f"undersampled: {fit.phase_error_px:.3f} px pixel-phase error in the sigmas")
    if not is_plain(fit):
        what = "more than a nucleus in a coma" if isinstance(fit, ComaFit) else "not a plain dot"
        flags.append(f"the image is {what} (chi2/dof {fit.chi2_per_dof:.1f}): sigmas widened")
    return "; ".join(flags)


def _faults(fit: SourceFit, survey) -> str:
    """Pixels without light in the core of a fit, in words; empty where there are none."""
    ends = fit.trail.ends[0, 0], fit.trail.ends[-1, 1]
    core = CORE_FWHM * fit.psf.fwhm
    reach = core + fit.trail.reach + 1
    x0, y0 = max(int(fit.x - reach), 0), max(int(fit.y - reach), 0)
    rows, columns = np.nonzero(survey.no_light[y0 : int(fit.y + reach) + 2, x0 : int(fit.x + reach) + 2])
    n = int(np.sum(line_distance2(columns + x0 - fit.x, rows + y0 - fit.y, *ends) < core**2))
    if not n:
        return ""
    return f"{n} bad pixel{'s' if n > 1 else ''} in its core left out"


def _rival(search: BodySearch, plate: PlateCheck, fit: SourceFit) -> str:
    """Another source that may be the body as well, in words; empty where there is none."""
    if fit.rival is not None and fit.rival.odds < SURE:
        return rival_words(fit, plate)
    if not search.coma and fit.two > LEAST_TWO:
        return f"by a chance of {fit.two:.0%} it is two points of light: sigmas widened"
    if fit.n_saturated or search.coma:
        return ""  # the rim of its own full pixels, or of its own coma, is what else stands out there
    least = place_score(search.chosen, search.found) - RIVAL
    rivals = [other for other in search.others if place_score(other, search.found) > least]
    if not rivals:
        return ""
    best = max(rivals, key=lambda other: place_score(other, search.found))
    away = best.distance * plate.pixel_scale
    return f"another source (S/N {best.snr:.0f}, {away:.1f} arcsec from the place) may be the body as well"


def rival_words(fit: SourceFit, plate: PlateCheck) -> str:
    """What is said of a point of light that a body blends with."""
    away = np.hypot(fit.rival.x - fit.x, fit.rival.y - fit.y) * plate.pixel_scale
    words = "may be the body as well" if fit.rival.odds < RIVAL else "is less likely the body"
    return f"a source in no list stands {away:.1f} arcsec beside it and {words}: sigmas widened"


def _rms_of_stars(plate: PlateCheck) -> float:
    """RMS per axis of what the plate's fit leaves of its stars, arcsec; NaN where there is no fit."""
    if not plate.corrected:
        return np.nan
    left = plate.stars[np.asarray(plate.stars["used"])]
    both = [np.asarray(left[name], dtype=float) for name in ("left_dra", "left_ddec")]
    return float(np.sqrt(np.mean(np.square(both)))) if len(left) else np.nan


def _note_codes(fit: SourceFit) -> str:
    """The MPC's note letters that apply: d diffuse, I involved with a star, t trailed (from memory)."""
    codes = "d" if isinstance(fit, ComaFit) and not fit.has_nucleus else ""
    light = fit.flux * 0.1
    if any(np.hypot(x - fit.x, y - fit.y) < fit.psf.fwhm and flux > light for x, y, flux in fit.neighbours):
        codes += "I"
    return codes + ("t" if fit.trail.length > fit.psf.fwhm else "")


def _background_words(fit: SourceFit) -> str:
    """How the background was taken off."""
    if fit.structure_cov is None:
        return f"background of order {fit.background_order}"
    share = np.sqrt(np.trace(fit.structure_cov) / np.trace(fit.cov))
    return f"fitted in its surroundings; structure of the background makes {share:.0%} of its sigma"


def _notes(fit: SourceFit, plate: PlateCheck, prediction: Prediction, search: BodySearch) -> tuple[str, ...]:
    """How a body was measured, in words."""
    notes = [
        f"PSF {plate.survey.psf.words}: FWHM {fit.psf.fwhm:.2f} px",
        f"noise: {plate.survey.noise.source}",
        _background_words(fit),
    ]
    if not np.isfinite(prediction.rate):
        notes.append("the prediction has no motion: no along and across, no trail")
    if fit.neighbours:
        many = "neighbour" if len(fit.neighbours) == 1 else "neighbours"
        notes.append(f"{len(fit.neighbours)} {many} fitted together with it")
    if fit.n_rejected:
        notes.append(f"{fit.n_rejected} pixels rejected (cosmic rays or defects)")
    if search.others:
        notes.append(f"{len(search.others)} further sources within {search.radius_arcsec:.1f} arcsec")
    return tuple(notes)
