"""A comet's total magnitude: the light within growing circles, to the edge of its coma.

::

    light     ..-----------  total      rings about the nucleus, each cut into sectors; stars are masked,
            .'   edge                   what is left of them is clipped in its sector, so that a tail stays
           /      :                     in the mean of its ring; the sky is what a coma that falls as 1/rho
          '-------+---- radius          leaves in the outer rings

The sky of the plate check's mesh is of no use here: it takes a coma for sky.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from astropy.table import Table

from appulse.astrometry.plate import zero_point
from appulse.errors import MeasurementError
from appulse.numerics import mad_sigma

SECTORS = 16
CLIP = 4.0
"""Scatter of a sector beyond which a pixel is a star that nobody lists."""
LEAST_COVER = 0.3
"""Part of a sector that must be left for its mean to count."""
RING_GROWTH = 1.12
FIRST_REACH_FWHM = 40.0
"""Rings reach so far at first, and twice as far as long as the coma's edge lies beyond 0.4 of it."""
CLEAR_SHARE = 0.4
EDGE_SIGMAS = 2.0
SEARCH_FWHM = 12.0
"""The brightest smooth spot within this of the predicted place is taken for the nucleus."""
FAR_FWHM = 6.0
"""A spot farther from the predicted place may be a star that no table lists."""
LEAST_RINGS = 8
UNEVEN_SHARE = 2.2, 0.8
"""The sky under a coma differs from that of the ring about it by the ring's unevenness from sector to sector
times the first, less the second where the coma fills the ring's hole. Simulated for skies whose power falls
as k^-2 to k^-3.6 (dust of the Milky Way: k^-2.9, Miville-Deschenes et al. 2007, A&A 469, 595), the
coma's edge found on the same light."""
FLATTEST = 0.7
"""Comae fall off at least as fast over the outer two thirds of what is seen; common practice, no source."""


@dataclass(frozen=True, eq=False)
class TotalMagnitude:
    """Total magnitude of a comet on a frame.

    Attributes
    ----------
    x, y : float
        Of the nucleus, zero-based pixels.
    mag, sigma_mag : float
        In the band of the star table; NaN without a zero point.
    radius_arcsec : float
        Of the circle to the coma's edge: all light within is in `mag`.
    sky : float
        Stored units per pixel.
    n_stars : int
        Behind the zero point.
    curve : Table
        ``radius`` (arcsec), ``mag, sigma_mag`` of the light within, ``surface`` (mag/arcsec2) of the ring.
    flag : str
        What speaks against the magnitude; empty where nothing does.
    """

    x: float
    y: float
    mag: float
    sigma_mag: float
    radius_arcsec: float
    sky: float
    n_stars: int
    curve: Table = field(repr=False)
    flag: str = ""


def total_magnitude(frame, plate, x: float, y: float, *, radius_arcsec=None) -> TotalMagnitude:
    """Measure a comet's total magnitude by a growth curve.

    Parameters
    ----------
    frame : SolvedFrame
    plate : PlateCheck
        Of the same frame, with its pixels and zero point.
    x, y : float
        Predicted place of the comet, zero-based pixels.
    radius_arcsec : float, optional
        Radius of the circle; the coma's edge when left out.

    Returns
    -------
    TotalMagnitude

    Raises
    ------
    MeasurementError
        The place lies outside the frame or too near to its edge, or no light of the comet is found.

    Notes
    -----
    The zero point is the star catalogue's, in its band and without a colour term: comets are about as red as
    the Sun. Beyond the edge a coma goes on below the noise, so that the magnitude is that of what is seen.
    On 17 invented frames (slopes 0.8 to 1.4, tails, gradients, stars) the pulls had an rms of 0.84, and of
    1.02 on 62 over nebulae that no table lists: the sigma holds how uneven the sky about the comet is. A
    nebula that lies about a comet cannot be told from its coma.
    """
    survey = plate.survey.with_pixels(frame)
    if survey.colours is not None:
        raise MeasurementError(
            f"{frame.name}: the light of a raw mosaic is of several colours: separate them, or use a mono "
            "frame"
        )
    pixels, scale = np.asarray(survey.pixels, dtype=float), float(plate.pixel_scale)
    fwhm = float(survey.psf.fwhm)
    bad = np.zeros(pixels.shape, bool) if survey.bad_kinds is None else survey.bad_kinds > 0
    ny, nx = pixels.shape
    if not (0 <= x <= nx - 1 and 0 <= y <= ny - 1):
        raise MeasurementError(f"{frame.name}: the comet is predicted outside the frame")
    usable = ~bad & np.isfinite(pixels)
    predicted = x, y
    x, y = _nucleus(pixels, usable & ~_listed_stars(plate.field_stars, pixels.shape, fwhm), x, y, fwhm)
    usable &= ~_star_mask(survey.sources, pixels.shape, x, y, fwhm)
    room = min(x, y, nx - 1 - x, ny - 1 - y)
    light = _grown(pixels, usable, x, y, fwhm, room, None if radius_arcsec is None else radius_arcsec / scale)
    zero = zero_point(plate)
    flags = list(light.flags)
    if (away := float(np.hypot(x - predicted[0], y - predicted[1]))) > FAR_FWHM * fwhm:
        flags.append(f"found {away * scale:.0f} arcsec from its predicted place: is it the comet?")
    near = np.hypot(*np.meshgrid(np.arange(nx) - x, np.arange(ny) - y)) <= fwhm
    if survey.saturation is not None and (pixels[near] >= survey.saturation).any():
        flags.append("the nucleus is saturated: the light is a lower limit")
    if not zero.known:
        flags.append("no zero point: too few catalogue stars of known magnitude")
    mag, sigma = _magnitudes(zero, light.flux, light.flux_sigma)
    with np.errstate(invalid="ignore", divide="ignore"):
        surface = zero.value - 2.5 * np.log10(np.where(light.above > 0, light.above, np.nan) / scale**2)
    curve = Table({
        "radius": light.radius * scale, "mag": mag, "sigma_mag": sigma, "surface": surface
    })  # fmt: skip
    at = light.edge
    return TotalMagnitude(
        x, y, float(mag[at]), float(sigma[at]), float(light.radius[at] * scale), light.sky, zero.n_stars,
        curve, "; ".join(flags),
    )  # fmt: skip


@dataclass(frozen=True)
class _Light:
    radius: np.ndarray  # px, outer rims of the rings
    flux: np.ndarray  # stored units within
    flux_sigma: np.ndarray
    above: np.ndarray  # per pixel, of the ring
    edge: int
    sky: float
    flags: tuple


def _grown(pixels, usable, x, y, fwhm, room, wanted_px) -> _Light:
    """The growth curve, out as far as the coma needs and the frame allows."""
    reach = min(FIRST_REACH_FWHM * fwhm if wanted_px is None else max(2.0 * wanted_px, 12.0 * fwhm), room)
    while True:
        light = _curve(pixels, usable, x, y, fwhm, reach, wanted_px)
        inside = light.radius[light.edge] <= CLEAR_SHARE * reach
        if wanted_px is not None or inside or reach >= room:
            break
        reach = min(2.0 * reach, room)
    if wanted_px is None and light.radius[light.edge] > 0.6 * reach:
        words = "the coma reaches the frame's edge: its sky is not seen, and the light is a lower limit"
        light = replace(light, flags=(*light.flags, words))
    return light


def _curve(pixels, usable, x, y, fwhm, reach, wanted_px) -> _Light:
    rims = _rims(fwhm, reach)
    if len(rims) < LEAST_RINGS:
        raise MeasurementError(
            f"the comet has {reach:.0f} px of frame around it, too few for a total magnitude of it"
        )
    x0, x1 = int(max(np.floor(x - reach), 0)), int(np.ceil(x + reach)) + 1
    y0, y1 = int(max(np.floor(y - reach), 0)), int(np.ceil(y + reach)) + 1
    part, good = pixels[y0:y1, x0:x1], usable[y0:y1, x0:x1]
    dy, dx = np.mgrid[y0 : y0 + part.shape[0], x0 : x0 + part.shape[1]] - np.array([y, x])[:, None, None]
    distance = np.hypot(dx, dy)
    ring = np.searchsorted(rims, distance.ravel()).reshape(distance.shape)
    sector = ((np.arctan2(dy, dx) / (2 * np.pi) % 1.0) * SECTORS).astype(int) % SECTORS
    mean, error, count, middle, sectors = _ring_means(part, good, ring, sector, distance, len(rims))
    sky, sky_error, sky_doubt, uneven, hole = _sky(middle, mean, error, sectors, fwhm)
    above = mean - sky
    flux = np.cumsum(above * count)
    area = np.cumsum(count)
    first, less = UNEVEN_SHARE
    uneven = uneven * (first - less * np.minimum(rims / hole, 1.0))
    doubt = np.sqrt(sky_error**2 + sky_doubt**2 + uneven**2)
    edge = _edge(rims, above, error, doubt, wanted_px)
    # A nebula about the comet passes for coma in the rings' means, not in their sectors: those of a coma are
    # even but for its tail. What is uneven there is in doubt everywhere within, and the edge is nearer.
    around = (rims >= 0.35 * rims[edge]) & (rims <= 1.8 * rims[edge])
    doubt = np.hypot(doubt, _structure(sectors[around], error[around]))
    edge = min(edge, _edge(rims, above, error, doubt, wanted_px))
    variance = np.cumsum((error * count) ** 2) + (area * doubt) ** 2
    if not (flux[edge] > 0 and flux[edge] > 3.0 * np.sqrt(variance[edge])):
        raise MeasurementError("no light of the comet stands out of the sky at its predicted place")
    return _Light(rims, flux, np.sqrt(variance), above, edge, float(sky), _flags(rims, above, edge))


def _flags(rims, above, edge) -> tuple:
    """What does not look like a coma."""
    part = (rims >= 0.3 * rims[edge]) & (np.arange(len(rims)) <= edge) & (above > 0)
    if part.sum() < 4:
        return ()
    slope = -float(np.polyfit(np.log(rims[part]), np.log(above[part]), 1)[0])
    if slope >= FLATTEST:
        return ()
    return (
        f"the light about it falls as rho^-{max(slope, 0.0):.1f} only: a nebula or uneven sky lies under it",
    )


def _edge(rims, above, error, doubt, wanted_px) -> int:
    """The last ring within which the coma stands out of the sky, or the one that the user wants."""
    if wanted_px is not None:
        return int(np.argmin(np.abs(rims - wanted_px)))
    faint = np.flatnonzero(above < EDGE_SIGMAS * np.hypot(error, doubt))
    return max(int(faint[0]) - 1, 0) if len(faint) else len(rims) - 1


def _rims(fwhm, reach):
    """Outer rims of the rings, px: even ones first, then in equal ratios."""
    step = max(0.5 * fwhm, 1.5)
    rims = [step * k for k in range(1, 9)]
    while rims[-1] < reach:
        rims.append(rims[-1] * RING_GROWTH)
    return np.array([rim for rim in rims if rim <= reach])


def _ring_means(part, good, ring, sector, distance, n):
    """Mean of each ring and its error, its number of pixels, its middle radius, and its sectors (n, 16)."""
    mean, error, count, middle = (np.full(n, np.nan) for _ in range(4))
    sectors = np.full((n, SECTORS), np.nan)
    flat, okay, key = part.ravel(), good.ravel(), (ring * SECTORS + sector).ravel()
    order = np.argsort(key, kind="stable")
    starts = np.searchsorted(key[order], np.arange(n * SECTORS + 1))
    radius = distance.ravel()
    for k in range(n):
        members = [order[starts[k * SECTORS + s] : starts[k * SECTORS + s + 1]] for s in range(SECTORS)]
        whole = np.concatenate(members)
        count[k], middle[k] = len(whole), radius[whole].mean() if len(whole) else np.nan
        if k < 3 or len(whole) < 6 * SECTORS:
            values = flat[whole][okay[whole]]
            if len(values):
                mean[k], error[k] = values.mean(), values.std() / np.sqrt(len(values))
            continue
        for s, some in enumerate(members):
            values = flat[some][okay[some]]
            if len(some) and len(values) >= max(LEAST_COVER * len(some), 3):
                sectors[k, s] = _clipped(values).mean()
        means = sectors[k][np.isfinite(sectors[k])]
        if len(means):
            mean[k] = means.mean()
            # Neighbouring sectors scatter by noise, a tail and structure change them slowly.
            steps = np.diff(np.append(means, means[0])) if len(means) > 3 else np.array([np.nan])
            noise = mad_sigma(steps) / np.sqrt(2.0)
            error[k] = noise / np.sqrt(len(means))
    known = np.isfinite(mean)
    index = np.arange(n)
    # A ring without a usable pixel takes its neighbours' value: rare, at a saturated nucleus.
    mean = np.interp(index, index[known], mean[known])
    error = np.where(np.isfinite(error), error, np.nanmax(error[known]) if known.any() else np.nan)
    return mean, error, count, middle, sectors


def _clipped(values):
    """Values without bright outliers: stars below the detection, cosmic rays."""
    for _ in range(3):
        centre, scatter = np.median(values), mad_sigma(values)
        keep = np.abs(values - centre) <= CLIP * max(scatter, 1e-12)
        if keep.all():
            break
        values = values[keep]
    return values


def _sky(middle, mean, error, sectors, fwhm):
    """Sky level, its error, the doubt that another law of the coma leaves, unevenness, inner radius."""
    outer = middle >= max(0.4 * middle[-1], 5.0 * fwhm)
    if outer.sum() < 4:
        outer = np.arange(len(middle)) >= len(middle) - 4
    weight = 1.0 / np.maximum(error[outer], 1e-12) ** 2
    matrix = np.stack([np.ones(outer.sum()), middle[outer].min() / middle[outer]], axis=1)
    normal = (matrix * weight[:, None]).T @ matrix
    cov = np.linalg.inv(normal)
    level, coma = cov @ ((matrix * weight[:, None]).T @ mean[outer])
    left = mean[outer] - matrix @ np.array([level, coma])
    chi2 = float(np.sum(weight * left**2)) / max(outer.sum() - 2, 1)
    sigma = float(np.sqrt(cov[0, 0] * max(chi2, 1.0)))
    plain = float(np.sum(weight * mean[outer]) / weight.sum())
    # Slopes of 0.8 to 1.5 instead of 1 move the level by up to a third of what the coma adds there.
    rings = np.sqrt(max(float(np.mean(left**2) - np.mean(error[outer] ** 2)), 0.0))
    uneven = float(np.hypot(rings, _structure(sectors[outer], error[outer])))
    doubt, hole = abs(plain - level) / 3.0, float(middle[outer].min())
    if coma < 2.0 * np.hypot(np.sqrt(cov[1, 1] * max(chi2, 1.0)), uneven):
        # A coma that does not stand out there, or takes light away, is noise or nebula: the mean is better.
        return plain, float(np.sqrt(max(chi2, 1.0) / weight.sum())), doubt, uneven, hole
    return float(level), sigma, doubt, uneven, hole


def _structure(sectors, error):
    """Unevenness of the sky about a comet: what lies under the coma may differ from the rest by as much."""
    # A gradient cancels in a ring; a nebula, clouds or the wings of stars do not.
    known = np.isfinite(sectors).mean(axis=0) >= 0.5
    if known.sum() < 8:
        return 0.0
    level = np.nanmean(sectors[:, known], axis=0)
    angle = 2 * np.pi * (np.flatnonzero(known) + 0.5) / SECTORS
    matrix = np.stack([np.ones(known.sum()), np.cos(angle), np.sin(angle)], axis=1)
    left = level - matrix @ np.linalg.lstsq(matrix, level, rcond=None)[0]
    uneven = np.sqrt(np.sum(left**2) / (len(left) - 3))
    noise = float(np.sqrt(np.mean(error**2))) * np.sqrt(SECTORS / len(error))
    return float(np.sqrt(max(uneven**2 - noise**2, 0.0)))


def _star_mask(sources, shape, x, y, fwhm):
    """Pixels of other stars: circles that grow with their light."""
    mask = np.zeros(shape, bool)
    for source in sources:
        sx, sy = float(source["x"]), float(source["y"])
        if np.hypot(sx - x, sy - y) < 2.5 * fwhm:
            continue
        radius = fwhm * float(np.clip(1.0 + 0.9 * np.log10(max(float(source["snr"]), 1.0)), 1.2, 6.0))
        j0, j1 = int(max(sy - radius, 0)), int(min(sy + radius, shape[0] - 1)) + 1
        i0, i1 = int(max(sx - radius, 0)), int(min(sx + radius, shape[1] - 1)) + 1
        dy, dx = np.mgrid[j0:j1, i0:i1]
        mask[j0:j1, i0:i1] |= np.hypot(dx - sx, dy - sy) <= radius
    return mask


def _listed_stars(stars, shape, fwhm):
    """Pixels of the stars that the table lists: none of them is the nucleus."""
    mask = np.zeros(shape, bool)
    for star in stars:
        sx, sy = float(star["x"]), float(star["y"])
        if not (0 <= sx < shape[1] and 0 <= sy < shape[0]):
            continue
        j, i = int(max(sy - 2.0 * fwhm, 0)), int(max(sx - 2.0 * fwhm, 0))
        part = mask[j : int(sy + 2.0 * fwhm) + 2, i : int(sx + 2.0 * fwhm) + 2]
        dy, dx = np.mgrid[j : j + part.shape[0], i : i + part.shape[1]]
        part |= np.hypot(dx - sx, dy - sy) <= 2.0 * fwhm
    return mask


def _nucleus(pixels, usable, x, y, fwhm):
    """The brightest smooth spot near a place, a little weighed towards it."""
    from scipy.ndimage import gaussian_filter

    half = int(np.ceil(SEARCH_FWHM * fwhm))
    j0, i0 = max(int(y) - half, 0), max(int(x) - half, 0)
    part = pixels[j0 : int(y) + half + 1, i0 : int(x) + half + 1]
    good = usable[j0 : int(y) + half + 1, i0 : int(x) + half + 1]
    level = np.median(part[good]) if good.any() else 0.0
    filled = np.where(good, part, level)
    # A coma is broader than a star: smoothed over two widths, it outshines the stars beside it.
    smooth = gaussian_filter(filled - level, 0.85 * fwhm)
    dy, dx = np.mgrid[: part.shape[0], : part.shape[1]]
    prior = np.exp(-0.5 * (np.hypot(dx + i0 - x, dy + j0 - y) / (0.5 * SEARCH_FWHM * fwhm)) ** 2)
    j, i = np.unravel_index(int(np.argmax(np.maximum(smooth, 0.0) * prior)), part.shape)
    box = np.hypot(dx - i, dy - j) <= 1.5 * fwhm
    weight = np.where(box, np.maximum(smooth, 0.0), 0.0) ** 2
    total = weight.sum()
    if not total > 0:
        return float(x), float(y)
    return float((weight * dx).sum() / total + i0), float((weight * dy).sum() / total + j0)


def _magnitudes(zero, flux, sigma):
    """Magnitudes of a curve and their sigmas; NaN where no light is left."""
    positive = flux > 0
    safe = np.where(positive, flux, 1.0)
    mag = np.where(positive, zero.value - 2.5 * np.log10(safe), np.nan)
    error = zero.scatter / np.sqrt(max(zero.n_stars, 1))
    return mag, np.where(positive, np.hypot(1.0857 * sigma / safe, error), np.nan)
