"""Observed minus calculated: one body on one frame, with everything needed to judge it.

Signs: *along* is positive with the motion, *across* positive 90 degrees further in position angle; the
plate's offset is the stars' observed minus catalogue, and ``dra_plate`` is the O-C with it taken off.

::

              N                 along  =  dra sin(pa) + ddec cos(pa)
              |   / motion      across =  dra cos(pa) - ddec sin(pa)
              |pa/
          E --+                 clock offset (true minus recorded) = along / rate

Finding a body near its predicted place: how far to look, which light is it, and is it enough.

What is said of a measured body: its flag, its notes, and what pauses of the exposure leave open.
"""

from dataclasses import dataclass, field

import numpy as np

from appulse.astrometry.detection import Candidate, search_place
from appulse.astrometry.plate import PlateCheck, ZeroPoint, check_plate, zero_point
from appulse.astrometry.prediction import Prediction, pixel_trail
from appulse.astrometry.psf import Trail
from appulse.astrometry.source_fit import SourceFit, fit_source, is_plain, light_doubt
from appulse.constants import ARCSEC_PER_RAD
from appulse.errors import MeasurementError
from appulse.formats.residual_table import make_table
from appulse.numerics.sphere import offsets_rad, unit_from_radec

NAN2 = np.full((2, 2), np.nan)
KEPT_ARCSEC, KEPT_SEARCHES = 120.0, 3.0
"""A residual keeps the sources and stars of its frame within this distance, or so many search radii."""


@dataclass
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
    exposure_s, clock_sigma_s : float
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
    covariance: np.ndarray = field(default_factory=NAN2.copy)
    plate_offset: np.ndarray = field(default_factory=lambda: np.full(2, np.nan))
    plate_covariance: np.ndarray = field(default_factory=NAN2.copy)
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
    exposure_s: float = np.nan
    clock_sigma_s: float = np.nan
    mid: object = field(default=None, repr=False)
    plate: PlateCheck | None = field(default=None, repr=False)

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
        """O-C (east, north) with the plate's offset taken off, arcsec; NaN without a zero point."""
        return np.array([self.dra_cosdec, self.ddec]) - self.plate_offset

    def row(self) -> dict:
        """The columns of the residual table."""
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
        }  # fmt: skip


def measure(frame, prediction, plate: PlateCheck | None = None, *, search_arcsec: float | None = None,
            free_trail: bool = False, at_pixel=None, min_snr: float | None = None,
            radius_px: float | None = None) -> Residual:  # fmt: skip
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
    """
    prediction = Prediction.from_row(prediction)
    plate = plate if plate is not None else check_plate(frame, None)
    result = _empty(frame, prediction, plate)
    x, y = at_pixel if at_pixel is not None else plate.true_pixel(prediction.ra, prediction.dec)
    result.expected_px = (x, y)
    ny, nx = frame.shape
    if np.isfinite(x) and -0.5 <= x <= nx - 0.5 and -0.5 <= y <= ny - 0.5:
        _set_plate(result, plate, x, y)
        trail = pixel_trail(frame, x, y, prediction)
        zero = zero_point(plate)
        pointed = at_pixel is not None
        try:
            fit = find_and_fit(
                frame, plate, result, zero, trail, search_arcsec, free_trail, pointed, radius_px
            )
            demand(result, plate, fit, min_snr, pointed)
            _set_measured(frame, plate, result, fit, zero)
        except MeasurementError as error:
            result.flag = str(error)
    else:
        result.flag = "outside the frame"
    kept = max(KEPT_ARCSEC, KEPT_SEARCHES * np.nan_to_num(result.search_arcsec))
    result.plate = plate.around(x, y, kept / plate.pixel_scale)
    return result


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
    return make_table([one.row() for one in residuals], provenance)


def _empty(frame, prediction, plate) -> Residual:
    exposure = frame.exposure
    clock = exposure.clock_sigma_s
    return Residual(
        frame.name, exposure.mid.utc.isot, prediction.designation, prediction, n_stars=plate.n_stars,
        exposure_s=exposure.seconds, clock_sigma_s=np.nan if clock is None else float(clock),
        mid=exposure.mid, plate=plate,
    )  # fmt: skip


def _set_plate(result, plate, x, y) -> None:
    dra, ddec, cov = plate.local_offset(x, y)
    result.plate_offset, result.plate_covariance = np.array([dra, ddec]), cov


def _set_measured(frame, plate, result, fit: SourceFit, zero: ZeroPoint) -> None:
    result.seen, result.fit, result.x, result.y, result.snr = True, fit, fit.x, fit.y, fit.snr
    ra, dec = frame.to_sky(fit.x, fit.y)
    result.ra_obs, result.dec_obs = float(ra), float(dec)
    calculated = unit_from_radec(result.prediction.ra, result.prediction.dec)
    xi, eta = offsets_rad(calculated, unit_from_radec(result.ra_obs, result.dec_obs))
    result.dra_cosdec, result.ddec = float(xi) * ARCSEC_PER_RAD, float(eta) * ARCSEC_PER_RAD
    jacobian = frame.jacobian(fit.x, fit.y)
    result.covariance = jacobian @ fit.cov @ jacobian.T + pauses(frame.exposure, result.prediction)
    _set_plate(result, plate, fit.x, fit.y)
    _set_light(frame, plate, result, fit, zero)
    result.flag, result.notes = flag_of(result, fit, frame.exposure), notes_of(result, fit, plate)


def _set_light(frame, plate, result, fit: SourceFit, zero: ZeroPoint) -> None:
    """Magnitude; its error holds what an image unlike the model leaves open, NaN where that is not known."""
    magnitude, sigma = zero.magnitude(fit.flux, fit.flux_sigma)
    if np.isfinite(magnitude):
        doubt = light_doubt(frame.data, fit, plate.survey.noise, plate.survey.saturation)
        sigma = float(np.hypot(sigma, doubt))
        result.mag_obs, result.sigma_mag = (magnitude, sigma) if np.isfinite(sigma) else (np.nan, np.nan)


SEARCH_ARCSEC = 3.0
SEARCH_FWHM = 1.5
CLOCK_ALLOWANCE_S = 60.0
"""The search reaches as far as a body moves in a minute, whatever else is known: clocks are that wrong."""
BARE_SNR, BARE_LISTED = 11.5, 0.5
"""Where the prediction is a bare place (no motion, no magnitude) and less than half of the frame's sources
are listed stars, place alone tells body from unlisted source: only a clear one is taken (common practice, no
source). ``min_snr`` overrules it."""
MAX_NEIGHBOURS = 6


def search_radius(frame, prediction: Prediction, plate: PlateCheck, fwhm_px: float) -> float:
    """How far to look, arcsec."""
    clock = frame.exposure.clock_sigma_s or 0.0
    rate = 0.0 if not np.isfinite(prediction.rate) else prediction.rate / 3600.0
    sigma = 0.0 if not np.isfinite(prediction.sigma) else prediction.sigma
    parts = [
        max(SEARCH_ARCSEC, SEARCH_FWHM * fwhm_px * frame.pixel_scale),
        3.0 * sigma,
        max(3.0 * clock, CLOCK_ALLOWANCE_S) * rate,
        0.0 if plate.corrected else 5.0,
    ]
    return float(np.sqrt(np.sum(np.square(parts))))


def find_and_fit(
    frame, plate, result, zero: ZeroPoint, trail, search_arcsec, free_trail, pointed, radius_px=None
) -> SourceFit:
    x, y = result.expected_px
    looked, data = plate.survey, frame.data
    psf = looked.psf.at(x, y)
    radius = search_arcsec or search_radius(frame, result.prediction, plate, psf.fwhm)
    if pointed:
        radius = search_arcsec or 1.5 * psf.fwhm * frame.pixel_scale
    result.search_arcsec = radius
    found = search_place(data, x, y, radius / frame.pixel_scale, psf, trail=trail)
    result.threshold = found.threshold
    result.limit_mag = zero.magnitude(found.flux_limit)[0]
    chosen, blend = _choose(found, plate, psf, trail, zero)
    if chosen is None:
        raise MeasurementError(_not_seen(found, result, radius, blend))
    result.others = tuple(one for one in found.candidates if one is not chosen)
    fit = fit_source(
        data, chosen.x, chosen.y, psf, looked.noise, trail=trail, saturation=looked.saturation,
        neighbours=_neighbours(plate, psf, trail, chosen), free_trail=free_trail, radius=radius_px,
    )  # fmt: skip
    if np.hypot(fit.x - x, fit.y - y) * frame.pixel_scale > radius + psf.fwhm * frame.pixel_scale:
        raise MeasurementError(f"not seen: nearest source lies beyond {radius:.1f} arcsec")
    return fit


def demand(result, plate, fit: SourceFit, min_snr, pointed) -> None:
    """Refuse a source too faint to be told from noise, or from an unlisted source if only its place
    speaks."""
    prediction, sources = result.prediction, len(plate.survey.sources)
    bare = not (np.isfinite(prediction.rate) or np.isfinite(prediction.mag) or pointed)
    if min_snr is None and bare and len(plate.stars) < BARE_LISTED * sources:
        least = BARE_SNR
        why = ", as without motion and magnitude only place tells it from others (min_snr overrules)"
    else:
        least, why = (0.8 * result.threshold if min_snr is None else min_snr), ""
    if fit.snr < least:
        away = float(np.hypot(fit.x - result.expected_px[0], fit.y - result.expected_px[1]))
        raise MeasurementError(
            f"not seen for certain: {fit.snr:.1f} sigma {away * plate.pixel_scale:.1f} arcsec off; "
            f"{least:.1f} are needed{why}"
        )


def _choose(found, plate, psf, trail, zero):
    """The likeliest candidate, and the catalogue star that bars the way where there is one."""
    blend = None
    best, best_score = None, -np.inf
    for one in found.candidates:
        star = star_at(plate, one.x, one.y, psf, trail, zero, found.flux_limit)
        if star is not None:
            blend = star
            continue
        score = -0.5 * (2.5 * one.distance / found.radius) ** 2 + np.log(min(one.snr, 20.0) / found.threshold)
        if score > best_score:
            best, best_score = one, score
    return best, blend


def star_at(plate, x, y, psf, trail: Trail, zero, flux_limit):
    """Name of a catalogue star whose image would stand at a pixel, bright enough to be taken for the body."""
    stars = plate.field_stars
    if len(stars) == 0:
        return None
    distance = np.hypot(np.asarray(stars["x"]) - x, np.asarray(stars["y"]) - y)
    near = np.flatnonzero(distance < max(0.6 * psf.fwhm, 1.0))
    for i in near:
        if not zero.known or zero.flux(float(stars["g"][i])) > 0.3 * flux_limit:
            return str(stars["name"][i]) or "a catalogue star"
    return None


def _not_seen(found, result, radius, blend) -> str:
    if blend is not None and found.candidates:
        return f"not measured: the source within {radius:.1f} arcsec is the star {blend}"
    words = f"not seen: nothing above {found.threshold:.1f} sigma within {radius:.1f} arcsec"
    if np.isfinite(result.limit_mag):
        words += f" (limit there {result.limit_mag:.1f} mag)"
    return words


def _neighbours(plate, psf, trail: Trail, chosen: Candidate):
    """Detected sources within the stamp that are not the body or a lump of its own trail, nearest first."""
    sources = plate.survey.sources
    if len(sources) == 0:
        return ()
    dx, dy = np.asarray(sources["x"]) - chosen.x, np.asarray(sources["y"]) - chosen.y
    first, last = trail.ends[0, 0], trail.ends[-1, 1]
    step = last - first
    along = np.clip(((dx - first[0]) * step[0] + (dy - first[1]) * step[1]) / max(step @ step, 1e-30), 0, 1)
    off_trail = np.hypot(dx - first[0] - along * step[0], dy - first[1] - along * step[1])
    near = (off_trail > 0.9 * psf.fwhm) & (off_trail < 3.4 * psf.fwhm + 4.0)
    order = np.flatnonzero(near)[np.argsort(off_trail[near])][:MAX_NEIGHBOURS]
    return tuple((float(sources["x"][i]), float(sources["y"][i])) for i in order)


def pauses(exposure, prediction: Prediction) -> np.ndarray:
    """What pauses at unknown moments leave open along the motion, as a covariance in arcsec^2."""
    if not np.isfinite(prediction.rate):
        return np.zeros((2, 2))
    step = np.array([prediction.ra_rate, prediction.dec_rate]) / 3600.0 * exposure.middle_sigma_s
    return np.outer(step, step)


def flag_of(result, fit: SourceFit, exposure) -> str:
    """What is not as it should be with a measured body; empty where nothing is."""
    words = []
    unknown = pauses(exposure, result.prediction)
    if np.trace(unknown) > 0.25 * np.trace(result.covariance):
        words.append(
            f"pauses at unknown moments: {exposure.middle_sigma_s:.0f} s of doubt along the motion (a table "
            "EXPOSURES in the frame would lift it)"
        )
    if fit.n_saturated:
        words.append(f"saturated core ({fit.n_saturated} px): fitted from its ring")
    if fit.phase_error_px > 0:
        words.append(f"undersampled: {fit.phase_error_px:.3f} px pixel-phase error in the sigmas")
    if not is_plain(fit):
        words.append(f"the image is not a plain dot (chi2/dof {fit.chi2_per_dof:.1f}): sigmas widened")
    return "; ".join(words)


def notes_of(result, fit: SourceFit, plate) -> tuple:
    """How a body was measured, in words."""
    words = [
        f"PSF {plate.survey.psf.words}: FWHM {fit.psf.fwhm:.2f} px",
        f"noise: {plate.survey.noise.source}",
    ]
    words.append(f"background of order {fit.background_order}")
    if not np.isfinite(result.prediction.rate):
        words.append("the prediction has no motion: no along and across, no trail")
    if fit.neighbours:
        many = "neighbour" if len(fit.neighbours) == 1 else "neighbours"
        words.append(f"{len(fit.neighbours)} {many} fitted together with it")
    if fit.n_rejected:
        words.append(f"{fit.n_rejected} pixels rejected (cosmic rays or defects)")
    if result.others:
        words.append(f"{len(result.others)} further sources within {result.search_arcsec:.1f} arcsec")
    return tuple(words)
