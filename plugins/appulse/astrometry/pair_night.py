"""Which light is the body, by a night's other frames: a star stays where it is, a body as bright as it is.

::

    rival's place on the sky --> seen there on other frames, the body elsewhere  --> a star: it is settled
    body's place likewise    --> seen there, and nothing at the rival's          --> the other is the body
                             --> seen there, about as bright                     --> a star: not measured
                             --> seen there, fainter                             --> widened by its share
    body's light             --> not that of the other frames by far             --> another: not measured
    stars of all frames      --> scatter beyond their sigmas                     --> so does a body: widened
"""

from dataclasses import replace

import numpy as np

from appulse.astrometry.plate import SURE, zero_point
from appulse.astrometry.residual import Residual, measured_columns, rival_words
from appulse.astrometry.source_fit import UNDERSAMPLED_FWHM_PX, SourceFit, is_plain
from appulse.numerics import extra_scatter

APART_FWHM = 2.0
"""So far from a spot the body must stand on a frame that is to say whether a star is there."""
SAME_FWHM = 0.6
LEAST_FRAMES = 2
LEAST_SNR = 10.0
"""Of a source that other frames, less clear perhaps, must show too."""
SEEN_ITSELF = 6.0
"""Signal to noise at which a second point within a body's image is seen by the fit of two."""
AS_BRIGHT = 0.5
"""Magnitudes within which a star that stands at the place accounts for the light there."""
UNLIKE, UNLIKE_SIGMAS = 1.5, 5.0
"""Magnitudes, and sigmas, off the other frames' from which a light is hardly the body's: few bodies that turn
change by as much within a night (common practice, no source)."""
ALIKE = 0.5
"""Within which the other frames must agree to say so."""
STAR_SNR = 30.0
"""Of stars that tell how far images unlike the model are moved."""


def settled(pairs) -> list[Residual]:
    """Residuals of a night, judged by what its other frames show at the same places.

    `pairs` are (frame, residual); of the frames the WCS is used, no pixels.
    """
    pairs = list(pairs)
    frames = [frame for frame, _ in pairs]
    residuals = [
        residual if residual.fit is None or residual.fit.rival is None
        else _settled(frame, residual, _others(residual, pairs))
        for frame, residual in pairs
    ]  # fmt: skip
    for check in (_of_a_star, _unlike):
        pairs = list(zip(frames, residuals, strict=True))
        residuals = [
            check(frame, residual, _others(residual, pairs)) if _has_light(residual) else residual
            for frame, residual in pairs
        ]  # fmt: skip
    return _widened(residuals)


def _has_light(residual: Residual) -> bool:
    """Whether it was measured in a frame of which there are stars; a place from a report was not."""
    return residual.seen and residual.fit is not None and residual.plate is not None


def _others(residual: Residual, pairs) -> list[Residual]:
    """The same body on the other frames that were looked at."""
    return [other for _, other in pairs if _is_another(residual, other)]


def _is_another(residual: Residual, other: Residual) -> bool:
    """Whether a residual is of the same body on another frame that was looked at."""
    return other is not residual and other.designation == residual.designation and other.plate is not None


def _settled(frame, residual: Residual, others) -> Residual:
    """One of them, settled if it can be."""
    fit, rival = residual.fit, residual.fit.rival
    if min(fit.snr, rival.fit.snr) < LEAST_SNR:
        return residual
    shows = {}
    for name, place in (("body", (fit.x, fit.y)), ("rival", (rival.x, rival.y))):
        seen = [_shows(other, *_on_sky(frame, residual.plate, *place)) for other in others]
        shows[name] = seen.count(True), seen.count(False)
    (at_body, not_at_body), (at_rival, not_at_rival) = shows["body"], shows["rival"]
    if at_rival >= LEAST_FRAMES and not_at_rival == 0 and at_body == 0 and not_at_body > 0:
        return _with(frame, residual, replace(fit, cov=rival.alone, rival=None), at_rival)
    if at_body >= LEAST_FRAMES and not_at_body == 0 and at_rival == 0 and not_at_rival > 0:
        return _with(frame, residual, rival.fit, at_body)
    return residual


def _on_sky(frame, plate, x: float, y: float) -> tuple[float, float]:
    """True place of a pixel, degrees: the plate's error taken off."""
    ra, dec = (float(v) for v in frame.to_sky(x, y))
    dra, ddec, _ = plate.local_offset(x, y)
    if not np.isfinite(dra):
        return ra, dec
    return ra - dra / 3600 / np.cos(np.radians(dec)), dec - ddec / 3600


def _shows(other: Residual, ra: float, dec: float) -> bool | None:
    """Whether another frame shows a source at a place; None where it cannot say."""
    light = _light_at(other, ra, dec)
    return None if light is None else bool(light > 0)


def _light_at(other: Residual, ra: float, dec: float) -> float | None:
    """Light of the source that another frame shows at a place, 0 for none; None where it cannot say."""
    x, y = other.plate.true_pixel(ra, dec)
    psf, (ex, ey) = other.plate.survey.psf.at(x, y), other.expected_px
    place = (other.x, other.y) if other.seen else (ex, ey)
    away = np.hypot(x - place[0], y - place[1])
    if not APART_FWHM * psf.fwhm < away or np.hypot(x - ex, y - ey) > other.plate.reach_px:
        return None
    sources = other.plate.survey.sources
    # On a filament the frame's list of sources has gaps; the surroundings of the body were looked at closely.
    listed = np.stack([np.asarray(sources[name], dtype=float) for name in ("x", "y", "flux")], axis=1)
    lights = np.concatenate([listed, np.reshape(other.lights, (-1, 3))])
    near = np.hypot(lights[:, 0] - x, lights[:, 1] - y)
    if not (near < SAME_FWHM * psf.fwhm).any():
        return 0.0
    return float(lights[np.argmin(near), 2])


def _of_a_star(frame, residual: Residual, others) -> Residual:
    """Not measured, where other frames show a star at its place that accounts for its light; or widened."""
    own, fit = zero_point(residual.plate), residual.fit
    # A star that was fitted along is in no light of the body.
    along = any(np.hypot(x - fit.x, y - fit.y) < fit.psf.fwhm for x, y, _ in fit.neighbours)
    if not own.known or fit.rival is not None or along:
        return residual
    ra, dec = _on_sky(frame, residual.plate, residual.x, residual.y)
    lights = [(zero_point(other.plate), _light_at(other, ra, dec)) for other in others]
    lights = [(zero, light) for zero, light in lights if light is not None]
    stars = [zero.magnitude(light)[0] for zero, light in lights if light > 0 and zero.known]
    # A frame without it (clouds) says less than two with it.
    if len(stars) < LEAST_FRAMES or 2 * len(stars) < len(lights):
        return residual
    fainter = float(np.median(stars)) - own.magnitude(fit.flux)[0]
    if fainter > AS_BRIGHT:
        return _shared_with_star(residual, 10 ** (-0.4 * fainter), len(stars))
    return _not_measured(
        residual, f"not measured: the light there is of a star that {len(stars)} other frames show"
    )


def _shared_with_star(residual: Residual, share: float, count: int) -> Residual:
    """Measured, but a share of the light is a star's: where in the image it stands is not known."""
    if share * residual.snr > SEEN_ITSELF:
        return residual  # the pixels would show a star there; other frames show lumps of a nebula too
    # One light of two points lies between them. A star anywhere in a circle is half its radius off, per axis.
    star_px = 0.5 * SAME_FWHM * residual.fit.psf.fwhm
    off = share / (1.0 - share) * star_px * residual.plate.pixel_scale
    words = f"{share:.0%} of its light is of a star that {count} other frames show: sigmas widened"
    return replace(
        residual, covariance=residual.covariance + off**2 * np.eye(2),
        sigma_mag=float(np.hypot(residual.sigma_mag, -2.5 * np.log10(1.0 - share))),
        flag="; ".join(filter(None, (residual.flag, words))),
    )  # fmt: skip


def _unlike(_frame, residual: Residual, others) -> Residual:
    """Not measured, where its light is not that which the other frames agree on."""
    lights = [_magnitude(other) for other in others if _has_light(other)]
    lights = [light for light in lights if np.isfinite(light).all()]
    own, sigma = _magnitude(residual)
    if len(lights) < LEAST_FRAMES or not np.isfinite([own, sigma]).all():
        return residual
    values, sigmas = np.array(lights).T
    middle = float(np.median(values))
    agree = np.abs(values - middle) < ALIKE + 2.0 * sigmas
    off = own - middle
    unlike = abs(off) > max(UNLIKE, UNLIKE_SIGMAS * float(np.hypot(sigma, np.median(sigmas))))
    if not unlike or agree.sum() < max(LEAST_FRAMES, 0.7 * len(lights)):
        return residual
    what = "fainter" if off > 0 else "brighter"
    return _not_measured(
        residual, f"not measured: the light there is {abs(off):.1f} mag {what} than on {len(lights)} other "
        "frames: hardly the body's"
    )  # fmt: skip


def _magnitude(residual: Residual) -> tuple[float, float]:
    """Of the light that was fitted, with its error."""
    fit = residual.fit
    return zero_point(residual.plate).magnitude(fit.flux, fit.flux_sigma)


def _not_measured(residual: Residual, reason: str) -> Residual:
    """The residual without what was measured, and why."""
    blank = Residual(residual.frame, residual.time, residual.designation, residual.prediction)
    names = ("plate_offset", "plate_covariance", "n_stars", "expected_px", "search_arcsec", "threshold",
             "others", "elsewhere", "exposure_s", "clock_sigma_s", "mid", "lights", "plate")  # fmt: skip
    return replace(blank, flag=reason, **{name: getattr(residual, name) for name in names})


def _widened(residuals) -> list[Residual]:
    """Those of undersampled images with what the stars of all frames scatter beyond their sigmas.

    One frame has a star or two that are bright enough to tell.
    """
    narrow = [each.plate is not None and _is_narrow(each) for each in residuals]
    plates = {each.frame: each.plate for each, is_narrow in zip(residuals, narrow, strict=True) if is_narrow}
    floor = _scatter_px(plates.values()) if plates else 0.0
    return [
        _with_floor(each, floor) if is_narrow and each.seen and floor else each
        for each, is_narrow in zip(residuals, narrow, strict=True)
    ]


def _is_narrow(residual: Residual) -> bool:
    """Whether the pixels undersample its image."""
    place = (residual.x, residual.y) if residual.seen else residual.expected_px
    return residual.plate.survey.psf.at(*place).axes[1] < UNDERSAMPLED_FWHM_PX


def _scatter_px(plates) -> float:
    """Scatter of bright stars beyond their sigmas, px; 0 where chance makes as much."""
    left, sigmas, lost = [], [], 0.0
    for plate in plates:
        if not plate.corrected:
            continue
        stars = plate.stars[np.asarray(plate.stars["used"])]
        bright = (np.asarray(stars["snr"]) > STAR_SNR) & (np.asarray(stars["n_saturated"]) == 0)
        # What a plate's fit follows of its stars is lost to their scatter.
        lost += 2.0 * bright.mean() * len(plate.model.east) if len(stars) else 0.0
        for values, names in ((left, ("left_dra", "left_ddec")), (sigmas, ("sigma_ra", "sigma_dec"))):
            for name in names:
                values.extend(np.asarray(stars[name], dtype=float)[bright] / plate.pixel_scale)
    left, sigmas = np.array(left), np.array(sigmas)
    dof = len(left) - lost
    if dof < 4 or np.sum((left / sigmas) ** 2) < dof + SURE * np.sqrt(2 * dof):
        return 0.0
    return float(extra_scatter(left, sigmas, lost))


def _with_floor(residual: Residual, floor_px: float) -> Residual:
    """The residual with so much more scatter in its sigmas, unless its own plate told of it."""
    known = 0.0 if residual.plate.model is None else residual.plate.model.scatter
    more2 = (floor_px * residual.plate.pixel_scale) ** 2 - known**2
    if not more2 > 0.0:
        return residual
    more = more2 * np.eye(2)
    note = f"the stars of the night scatter by {floor_px:.3f} px beyond their sigmas: in the sigmas"
    return replace(
        residual, covariance=residual.covariance + more,
        structure_covariance=residual.structure_covariance + more, notes=(*residual.notes, note),
    )  # fmt: skip


def _with(frame, residual: Residual, fit: SourceFit, count: int) -> Residual:
    """The residual by this fit, alone."""
    found = measured_columns(frame, residual.prediction, residual.plate, fit)
    magnitude, sigma = zero_point(residual.plate).magnitude(fit.flux, fit.flux_sigma)
    known = np.isfinite(magnitude) and np.isfinite(sigma) and is_plain(fit)
    found |= {"mag_obs": magnitude, "sigma_mag": sigma} if known else {"mag_obs": np.nan, "sigma_mag": np.nan}
    words = rival_words(residual.fit, residual.plate)
    found["flag"] = "; ".join(part for part in residual.flag.split("; ") if part != words)
    note = f"a star in no list beside it, which {count} other frames show, is fitted apart from it"
    return replace(residual, **found, notes=(*residual.notes, note))
