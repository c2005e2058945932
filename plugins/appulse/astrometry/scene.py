"""What stands around a place on a frame: stars, structure of nebulae, noise, and the light left of them.

::

    pixels --> stars there (listed and found), all fitted together --> their light taken off
                                                                           |
           covariance of structure  <-- autocorrelation of what is left <--+
                                                                           |
           candidates  <-- filter matched to the body, whitened by noise and structure

A nebula is no noise of pixels: its light is as smooth as the star image that blurred it. Its covariance is
taken as a sum of Gaussians that are no narrower than that of the star image with itself.

References: Rybicki & Press 1992, ApJ 398, 169 (covariances of signals in least squares); Irwin 1985, MNRAS
214, 575 (stars fitted together); Kay 1998, Detection Theory, 4.4 (the matched filter in coloured noise).
"""

from dataclasses import dataclass, field, replace

import numpy as np
from scipy import fft, linalg, ndimage, optimize

from appulse.astrometry.detection import Candidate, PlaceSearch, threshold_for
from appulse.astrometry.psf import POINT, PSF, Trail, pixel_image
from appulse.astrometry.stamp import Noise, line_distance2
from appulse.astrometry.trail_light import trail_light
from appulse.constants import FWHM_PER_SIGMA
from appulse.numerics import mad_sigma
from appulse.registration import TrailLine, trail_reach

LENGTHS = (1.0, 1.5, 2.3, 3.5, 5.5)
"""Scales of structure, in widths of the star image's own autocorrelation: wider ones are a plane to a fit."""
MODEL_ERROR = 0.02
"""Share of a star's light that its model leaves behind."""
LIGHT_ERROR = {True: 0.3, False: 1.0}
"""Relative error of a listed star's light (colour, variability), and of what was found and is blended with
others (common practice, no source)."""
PLACE_PX = {True: 0.15, False: 0.3}
"""Errors of a listed star's place (plate and motion), and of one that was found."""
MOST_STARS = 25
ROUGH = 0.1
"""Structure below this share of the noise that the pixels make in the body's light is not told from none."""
COLOURS_ALIKE, LEAST_FINE = 16.0, 1.2
"""px: width of what a mosaic's levelled sky shows alike in all colours; least that its pixels fill."""
RIDGES = ((8.0, 1.0), (8.0, 1.5), (8.0, 2.3))
"""Lengths along and across a filament, in the same widths."""
RIDGE_ANGLES = 16
RIDGE_LEAVES = 0.7
"""Of the squares that structure alike in all directions leaves: by chance one way explains a little more."""
RIDGE_FROM, RIDGE_TO = 1.5, 4.0
"""FWHM to both sides of a light within which a filament shows that it goes on."""
RIDGE_LEAST = 1.0
"""Sigmas on both sides from which it is one: noise gives as much once in twenty lights, and costs little."""
CHANCE = 1.0 / 300
"""Of a light within the search that is only what such a nebula shows here and there."""
SIGMAS_OF_RADIUS = 2.5
"""Of where the body can be, in the radius of a search."""
TAIL = (0.5, 1.0)
"""Sigmas in which such lights become fewer by e, at least and at most (of blurred power-law nebulae)."""
THINNED_FWHM = 8.0
"""From twice this width of the star image, px, on not all pixels are asked for the light of stars."""
CALM_LEFT = 0.3
"""Sigmas of stars' misfits from which a light counts as theirs."""
FULL_ALL_ALONG = 0.5
"""Share of a trail along which pixels are full where it fills them itself."""
LEAST_SIDE, SIDE_FWHM = 30.0, 8.0
"""Surroundings looked at beyond the search: px, and FWHM."""


@dataclass(frozen=True)
class Structure:
    """Covariance of a background that the star image blurs: alike in all directions, and along filaments."""

    amplitudes: np.ndarray  # of each of LENGTHS, stored units^2
    sigma: float  # of the star image, px
    ridges: tuple[tuple[float, float, float, float], ...] = ()
    """Of filaments: amplitude, angle from +x (radians), and squared lengths along and across, px^2."""
    alone: np.ndarray | None = None  # amplitudes that do for filaments too, where there are such

    @property
    def lengths2(self) -> np.ndarray:
        """Squared widths of the covariances, px^2: that of a star's image with itself is 2 sigma^2."""
        return 2.0 * (self.sigma * np.array(LENGTHS)) ** 2

    @property
    def alike(self) -> "Structure":
        """The same, taken as alike in all directions: a comet's tail is no filament of its surroundings."""
        return self if self.alone is None else Structure(self.alone, self.sigma)

    @property
    def variance(self) -> float:
        """Of a pixel."""
        return float(np.sum(self.amplitudes)) + sum(ridge[0] for ridge in self.ridges)

    def times(self, factor: float) -> "Structure":
        """The same, so many times as strong."""
        ridges = tuple((factor * ridge[0], *ridge[1:]) for ridge in self.ridges)
        return Structure(factor * self.amplitudes, self.sigma, ridges)

    def covariance(self, dx, dy):
        """Covariance of two pixels that are so far apart."""
        distance2 = np.square(dx) + np.square(dy)
        result = np.zeros_like(distance2)
        for amplitude, length2 in zip(self.amplitudes, self.lengths2, strict=True):
            if amplitude > 0:
                result += float(amplitude) * np.exp(distance2 * float(-0.5 / length2))
        for amplitude, angle, along2, across2 in self.ridges:
            result += amplitude * _ridge_shape(dx, dy, angle, along2, across2)
        return result

    def power(self, kx, ky):
        """Its spectrum at these frequencies, cycles per pixel."""
        result = np.zeros(np.broadcast(kx, ky).shape)
        frequency2 = kx**2 + ky**2
        for amplitude, length2 in zip(self.amplitudes, self.lengths2, strict=True):
            if amplitude > 0:
                result += amplitude * 2 * np.pi * length2 * np.exp(-2 * np.pi**2 * length2 * frequency2)
        turn = 4 * np.pi**2
        for amplitude, angle, along2, across2 in self.ridges:
            shape = _ridge_shape(kx, ky, angle, 1 / (turn * along2), 1 / (turn * across2))
            result += amplitude * 2 * np.pi * np.sqrt(along2 * across2) * shape
        return result

    def share(self, variance: float) -> float:
        """Variance that it adds to the light of a point, in units of what pixels of this variance make."""
        l2 = np.array(LENGTHS) ** 2
        # What is wider than about three images is a level and a plane to a fit, and does no harm.
        total = float(np.sum(self.amplitudes * l2 / (1 + l2) / (1 + l2 / 9)))
        for amplitude, _, *lengths2 in self.ridges:
            l2 = np.array(lengths2) / (2 * self.sigma**2)
            total += amplitude * float(np.sqrt(np.prod(l2 / (1 + l2)))) / (1 + l2[1] / 9)
        return 4 * np.pi * self.sigma**2 * total / variance


def _ridge_shape(dx, dy, angle, along2, across2):
    """A Gaussian that is longer one way than the other."""
    # Single numbers stay what they are beside plain floats.
    c, s = float(np.cos(angle)), float(np.sin(angle))
    along, across = float(-0.5 / along2), float(-0.5 / across2)
    return np.exp(np.square(c * dx + s * dy) * along + np.square(c * dy - s * dx) * across)


@dataclass(frozen=True)
class SceneStar:
    """A star near the body: its place as fitted, the prior of it, its light in each colour of the sensor."""

    x: float
    y: float
    fluxes: np.ndarray
    prior: tuple[float, float]
    listed: bool
    name: str = ""
    loose_px: float = 0.0  # one sigma of a place that nobody has seen yet

    @property
    def place_px(self) -> float:
        """One sigma of the prior place, px."""
        return self.loose_px or PLACE_PX[self.listed]


@dataclass(frozen=True)
class FrameScene:
    """The surroundings of a place; arrays cover a box with its lower corner at (x0, y0)."""

    x0: int
    y0: int
    pixels: np.ndarray  # stored units, float64, levels of colours taken off
    good: np.ndarray  # pixels that can be used
    full: np.ndarray  # saturated, with their neighbours
    variance: np.ndarray  # of the pixels' noise, sky and read-out
    colour: np.ndarray  # index of the colour of each pixel; 0 on a mono sensor
    tint: np.ndarray  # light of the background that each colour passes, mean 1
    stars: tuple[SceneStar, ...]
    star_light: np.ndarray  # of all stars together
    structure: Structure
    psf: PSF
    noise: Noise
    trail_light: np.ndarray  # of straight trails, taken off `pixels` already
    trails: tuple[TrailLine, ...] = ()
    trail_error: float = 0.0  # share of a trail's light in a pixel that its model misses
    _cache: dict = field(default_factory=dict, repr=False)

    @property
    def is_rough(self) -> bool:
        """Whether structure matters here."""
        return self.structure.share(float(np.median(self.variance))) > ROUGH

    @property
    def other_light(self) -> np.ndarray:
        """What is not the body's: of stars and straight trails."""
        return self.star_light + np.abs(self.trail_light)

    @property
    def is_mosaic(self) -> bool:
        """Whether pixels see different colours."""
        return len(self.tint) > 1

    @property
    def star_tint(self) -> np.ndarray:
        """Light of a star that each colour passes, mean 1 over the pixels."""
        total = sum((star.fluxes for star in self.stars), np.zeros(len(self.tint)))
        if len(total) != len(self.tint) or not (total > 0).all():
            return self.tint
        shares = np.bincount(self.colour.ravel(), minlength=len(total)) / self.colour.size
        return total / float(total @ shares)

    def light_of(self, star: SceneStar, columns, rows, colour):
        """Light of one of its stars in pixels, stored units."""
        value = pixel_image(self.psf, star.x, star.y, columns, rows)[0]
        return star.fluxes[colour] * value

    def with_star(self, star: SceneStar) -> "FrameScene":
        """The same with one star more."""
        rows, columns = np.indices(self.pixels.shape)
        light = self.light_of(star, columns.ravel() + self.x0, rows.ravel() + self.y0, self.colour.ravel())
        more = light.reshape(self.pixels.shape)
        return replace(self, stars=(*self.stars, star), star_light=self.star_light + more, _cache={})

    def search(self, x: float, y: float, radius: float, trail: Trail = POINT, pixels=None) -> PlaceSearch:
        """Look for light within `radius` px of a place, the stars taken off; `pixels` instead of its own."""
        # In units in which all colours show a nebula alike: a pattern would look like noise, or like light.
        tint, good, matched = self.tint[self.colour], self.good, self._filter(trail)
        clean = ((self.pixels if pixels is None else pixels) - self.star_light) / tint
        clean = np.where(good, clean - _plane(clean, good), 0.0)
        (ny, nx), shape = clean.shape, matched.shape
        light = fft.irfft2(fft.rfft2(clean * matched.weight2, shape) * matched.response, shape)
        white, gain, left = matched.white, matched.gain, matched.left
        snr = np.where(matched.usable, light[:ny, :nx] / np.sqrt(gain), -np.inf)
        snr = snr / np.sqrt(1.0 + left**2)
        here = np.hypot(*np.meshgrid(np.arange(nx) + self.x0 - x, np.arange(ny) + self.y0 - y))
        beyond = (here > radius + 2 * self.psf.fwhm) & np.isfinite(snr) & (left < 1.0)
        on_trail = np.abs(self.trail_light) > 0.5 * np.sqrt(self.variance)
        scale = np.full(snr.shape, _scatter(snr[beyond & ~on_trail], 3.0) or 1.0)
        if on_trail.any():
            # What its model leaves of a trail is seen along the trail itself.
            own = _scatter(snr[beyond & on_trail])
            spread = (self.trail_error * self.trail_light / tint) ** 2
            spread = ndimage.gaussian_filter(spread, self.psf.sigma)
            error = np.sqrt(1.0 + 4 * np.pi * self.psf.sigma**2 * spread / white)
            scale = np.where(on_trail, own or error, scale)
        snr = snr / scale
        noise_limit = threshold_for(radius, self.psf, trail)
        # A filament answers the filter all along: a body on it stands above what it gives on both sides.
        plain = beyond & ~on_trail & (left < CALM_LEFT)
        tops = _peaks(np.where(plain, snr, -np.inf), here, np.inf, noise_limit, self.x0, self.y0, x, y)
        others = np.array([top.snr - self._ridge(snr, top, trail) for top in tops])
        circles = float(plain.sum()) / (np.pi * max(radius, 0.5 * self.psf.fwhm) ** 2)
        bar = _Bar.of(others, circles, noise_limit)
        limit = bar.at(0.0)
        peaks = _peaks(snr, here, radius, noise_limit, self.x0, self.y0, x, y)
        aside = np.where((here > radius) & (left < 1.0), snr, -np.inf)
        around = _peaks(aside, here, np.inf, noise_limit, self.x0, self.y0, x, y)
        found = [
            peak for peak in peaks
            if peak.snr - self._ridge(snr, peak, trail) >= bar.at(peak.distance / max(radius, 1e-9))
        ]  # fmt: skip
        doubtful = next((peak for peak in peaks if peak not in found), None)
        j, i = np.unravel_index(np.argmin(here), here.shape)
        unit = scale * np.sqrt(1.0 + left**2) / np.sqrt(gain)  # light that is one sigma
        flux = float(limit * unit[j, i])
        inside = np.where((here <= radius) & np.isfinite(snr), snr, -np.inf)
        top = np.unravel_index(np.argmax(inside), inside.shape)
        at = float(self.x0 + top[1]), float(self.y0 + top[0])
        strongest = Candidate(*at, float(inside[top]), float(here[top])) if inside[top] > 0 else None
        lights = tuple(
            (each.x, each.y, float(each.snr * unit[round(each.y) - self.y0, round(each.x) - self.x0]))
            for each in (*peaks, *around)
        )
        return PlaceSearch(tuple(found), limit, float(radius), flux, strongest, doubtful, lights)

    def _filter(self, trail: Trail) -> "_Matched":
        """What does not hang on the light of the pixels: many searches of a scene share it."""
        key = self.psf, trail.ends.tobytes(), trail.weights.tobytes()
        of = self.structure, self.good, self.star_light
        known = self._cache.get(key)
        if known is None or any(a is not b for a, b in zip(known[0], of, strict=True)):
            known = self._cache[key] = of, self._filter_anew(trail)
        return known[1]

    def _filter_anew(self, trail: Trail) -> "_Matched":
        tint, good = self.tint[self.colour], self.good
        variance, (ny, nx) = self.variance / tint**2, good.shape
        reach = int(np.ceil(3.5 * self.psf.axes[0] / FWHM_PER_SIGMA + trail.reach)) + 1
        shape = [fft.next_fast_len(n + 2 * reach, real=True) for n in (ny, nx)]
        rows, columns = np.mgrid[-reach : reach + 1, -reach : reach + 1]
        image = pixel_image(self.psf, 0.0, 0.0, columns.ravel(), rows.ravel(), trail)[0].reshape(rows.shape)
        kernel = np.zeros(shape)
        kernel[: 2 * reach + 1, : 2 * reach + 1] = image
        kernel = np.roll(kernel, (-reach, -reach), (0, 1))
        spectrum = np.conj(fft.rfft2(kernel))
        ky, kx = np.fft.fftfreq(shape[0])[:, None], np.fft.rfftfreq(shape[1])[None, :]
        white = float(np.median(variance[good]))
        weight2 = np.where(good, white / variance, 0.0)  # pixels of more noise count less
        spectrum[0, 0] = 0.0  # the level is not known
        response = spectrum / (white + self.structure.power(kx, ky))
        # What a unit of light at each place gives, and its noise: with holes, and pixels of other noise.
        kernel2 = kernel * _reversed(fft.irfft2(response, shape))
        gain = fft.irfft2(fft.rfft2(weight2, shape) * np.conj(fft.rfft2(kernel2)), shape)[:ny, :nx]
        total = float(np.sum(kernel2))
        gain = np.maximum(gain, 1e-3 * total)
        # Stars leave more behind than noise: their share of it is not to be taken for a body.
        rest = np.abs(self.star_light) / tint * MODEL_ERROR
        spread = ndimage.gaussian_filter(rest**2, self.psf.sigma)
        left = np.sqrt(4 * np.pi * self.psf.sigma**2 * spread / white)
        return _Matched(shape, white, weight2, response, gain, gain > 0.3 * total, left)

    def _ridge(self, snr, peak: Candidate, trail: Trail) -> float:
        """Sigmas that a filament through a peak shows on both sides of it; 0 where there is none."""
        away = np.linspace(RIDGE_FROM, RIDGE_TO, 11) * self.psf.fwhm + 0.5 * trail.length
        angles = np.arange(16) * np.pi / 16
        angles = np.concatenate([angles, angles + np.pi])[:, None]
        places = peak.y - self.y0 + away * np.sin(angles), peak.x - self.x0 + away * np.cos(angles)
        known = np.isfinite(snr).astype(float)
        value, share = (
            ndimage.map_coordinates(image, places, order=1, mode="constant", cval=0.0)
            for image in (np.where(known > 0, snr, 0.0), known)
        )  # fmt: skip
        # Half of an arm: neither a star on it nor a hole in it decides.
        sides = np.median(np.where(share > 0.99, value, 0.0), axis=1).reshape(2, -1)
        both = sides.min(axis=0)
        best = int(np.argmax(both))
        # A star at one side is no filament: of that side no more counts than thrice the other shows.
        return float(min(sides[:, best].mean(), 2.0 * both[best])) if both[best] > RIDGE_LEAST else 0.0


@dataclass(frozen=True)
class _Matched:
    """A filter matched to a body, whitened by noise and structure, and what it gives at each place."""

    shape: list[int]  # of the padded pixels
    white: float  # variance of a pixel's noise
    weight2: np.ndarray
    response: np.ndarray
    gain: np.ndarray  # that of a unit of light, and its variance
    usable: np.ndarray
    left: np.ndarray  # what stars leave behind, sigmas


@dataclass(frozen=True)
class _Bar:
    """Signal to noise that a light must have: what noise asks for, and what the surroundings reach by chance.

    Of lights that are spread evenly, `CHANCE` a search surpass it. Where the body is likely it is low, at the
    rim high: there are as few of them as likely as the body to stand there.
    """

    least: float  # what noise alone asks for
    tail: float = TAIL[0]  # sigmas in which lights of the surroundings become fewer by e
    lights: float = 0.0  # of them above `least`, in a search

    @classmethod
    def of(cls, others, circles: float, least: float) -> "_Bar":
        """By the lights of surroundings that are as large as so many searches."""
        others = others[others >= least]
        if not len(others) or circles < 1.0:
            return cls(least)
        # The median: what stands out far is a star or a cosmic ray, and no tail of anything.
        tail = float(np.clip(np.median(others - least) / np.log(2), *TAIL))
        return cls(least, tail, len(others) / circles)

    def at(self, share: float) -> float:
        """At this share of the search's radius."""
        if not self.lights:
            return self.least
        # The ellipse of the likely places against the circle; larger where the body is less likely.
        size = 2.0 / SIGMAS_OF_RADIUS**2 * np.exp(0.5 * (SIGMAS_OF_RADIUS * share) ** 2)
        return self.least + self.tail * max(float(np.log(self.lights * size / CHANCE)), 0.0)


def _scatter(values, most: float = np.inf) -> float | None:
    """Scatter of signal to noise, 1 or more; None where too few values say it."""
    return float(np.clip(mad_sigma(values), 1.0, most)) if len(values) > 100 else None


def place_score(candidate: Candidate, found: PlaceSearch) -> float:
    """How likely a candidate is the body, as a logarithm."""
    # Brightness counts little, and beyond 20 no more.
    place = -0.5 * (SIGMAS_OF_RADIUS * candidate.distance / found.radius) ** 2
    return float(place + np.log(min(candidate.snr, 20.0) / found.threshold))


def look_around(
    data, x: float, y: float, radius: float, psf: PSF, noise: Noise, *, trail: Trail = POINT, listed=(),
    found=(), fluxes=(), names=(), bad=None, saturated=None, colours=None, trails=(),
) -> FrameScene:  # fmt: skip
    """Look at the surroundings of a place, zero-based px, within whose `radius` a body is looked for.

    `listed` are places of catalogue stars, with `names`; `found` are sources that no catalogue has and that
    stand too far off to be the body; `fluxes` are expected of both (NaN where unknown). `bad` are pixels of
    the frame without light, `saturated` the full ones, `colours` the index of each one's colour, `trails`
    straight lines of light.
    """
    half = radius + trail.reach + 2 * psf.fwhm + max(LEAST_SIDE, SIDE_FWHM * psf.fwhm)
    ny, nx = data.shape
    x0, x1 = max(0, int(x - half)), min(nx, int(x + half) + 2)
    y0, y1 = max(0, int(y - half)), min(ny, int(y + half) + 2)
    box = slice(y0, y1), slice(x0, x1)
    pixels = np.asarray(data[box], dtype=float)
    good = np.isfinite(pixels)
    if bad is not None:
        good &= ~bad[box]
    full = np.zeros(good.shape, bool)
    if saturated is not None:
        # A full pixel bleeds: its direct neighbours hold charge that did not fall on them.
        full = good & saturated[box]
        full = ndimage.binary_dilation(full) if full.any() else full
    colour = np.zeros(good.shape, int) if colours is None else np.asarray(colours[box], dtype=int)
    n_colours = 1 if colours is None else int(np.max(colours[:2, :2])) + 1
    pixels = np.where(good, pixels, 0.0)
    for c in range(n_colours):
        these = good & (colour == c)
        pixels[colour == c] -= np.median(pixels[these]) if these.any() else 0.0
    variance = _pixel_variance(pixels, good & ~full, colour, n_colours, colours is not None)
    apart = radius + trail.reach + psf.fwhm
    lines = trail_light(
        pixels, good & ~full, trails, psf.sigma, x0, y0, (x, y), apart, colour, variance, noise.gain_e_adu
    )
    pixels = pixels - lines.light
    variance = variance + np.maximum(lines.light, 0.0) / noise.gain_e_adu
    stars = _stars_of(x, y, half, psf, listed, found, fluxes, names)
    usable = good & ~full
    stars, light = _fit_stars(pixels, usable, variance, colour, n_colours, stars, psf, noise, x0, y0)
    rows, columns = np.mgrid[y0:y1, x0:x1]
    away = line_distance2(columns - x, rows - y, trail.ends[0, 0], trail.ends[-1, 1])
    calm = usable & (away > (radius + 2 * psf.fwhm) ** 2) & (MODEL_ERROR * light < 0.3 * np.sqrt(variance))
    calm &= np.abs(lines.light) < np.sqrt(variance)
    left = pixels - light
    tint = _tints(left, calm, colour, n_colours, variance, psf)
    if (tint != 1.0).any():
        off = _off_colour(left, usable & (MODEL_ERROR * light < 0.3 * np.sqrt(variance)), colour, tint)
        pixels, left = pixels - off, left - off
    structure = _structure(left / tint[colour], calm, psf.sigma, variance / tint[colour] ** 2)
    # A saturated pixel of a star or a trail tells nothing; one that neither explains may be the body's own.
    good = good & ~(full & (light > np.sqrt(variance)))
    for line in trails if full.any() else ():
        across, along = np.abs(line.across(columns, rows)), np.rint(line.along(columns, rows))
        own = full & (across < trail_reach(psf.fwhm))
        # It fills pixels all along, or none: a full core here and there on it is a star or the body.
        if len(np.unique(along[own])) > FULL_ALL_ALONG * len(np.unique(along[across < 1.0])):
            good = good & ~own
    return FrameScene(
        x0, y0, pixels, good, full, variance, colour, tint, stars, light, structure, psf, noise,
        lines.light, lines.lines, lines.error,
    )  # fmt: skip


def _reversed(kernel):
    """A periodic kernel turned over."""
    return np.roll(kernel[::-1, ::-1], (1, 1), (0, 1))


def _plane(values, good):
    """Plane through the usable pixels, sources clipped away."""
    ny, nx = values.shape
    design = np.ones((3, ny, nx))
    design[1], design[2] = np.arange(nx) / nx - 0.5, np.arange(ny)[:, None] / ny - 0.5
    design, flat, usable = design.reshape(3, -1), values.ravel(), good.ravel()
    use, plane = usable, np.zeros(flat.shape)
    for _ in range(4):
        if use.sum() < 20:
            break
        these = design * use
        plane = np.linalg.lstsq(these @ design.T, these @ np.where(use, flat, 0.0), rcond=None)[0] @ design
        rest = flat - plane
        before, use = use, usable & (np.abs(rest) < 3.0 * max(mad_sigma(rest[use]), 1e-9))
        if np.array_equal(before, use):
            break
    return plane.reshape(ny, nx)


def _pixel_variance(pixels, good, colour, n_colours, mosaic):
    """Variance of the noise of pixels from differences of neighbours, which smooth light hardly enters."""
    # 1 -2 1 along both axes: anything of second order cancels. A mosaic has its own colour two pixels on.
    #         1 -2  1
    #        -2  4 -2     squares of the weights: 36
    #         1 -2  1
    step = 2 if mosaic else 1
    weights = np.zeros((2 * step + 1, 2 * step + 1))
    weights[::step, ::step] = np.outer([1, -2, 1], [1, -2, 1])
    rough = ndimage.convolve(pixels, weights, mode="reflect") / 6.0
    spoilt = ndimage.binary_dilation(~good, np.ones(weights.shape, bool))
    result = np.ones(pixels.shape)
    for c in range(n_colours):
        use = ~spoilt & (colour == c)
        if use.sum() < 30:
            use = good & (colour == c)
        sigma = mad_sigma(rough[use]) if use.sum() > 8 else 0.0
        result[colour == c] = max(sigma, 1e-6 * max(1.0, float(np.abs(pixels[good]).max(initial=0.0)))) ** 2
    return result


def _stars_of(x, y, half, psf, listed, found, fluxes, names):
    """Stars whose light can reach the box: the brightest, nearest."""
    stars = []
    listed, found = (np.asarray(places, dtype=float).reshape(-1, 2) for places in (listed, found))
    for is_listed, places, first in ((True, listed, 0), (False, found, len(listed))):
        for k, (sx, sy) in enumerate(places):
            flux = float(fluxes[first + k]) if len(fluxes) else np.nan
            name = str(names[k]) if is_listed and len(names) else ""
            if max(abs(sx - x), abs(sy - y)) < half + 4 * psf.fwhm:
                stars.append((SceneStar(sx, sy, np.zeros(1), (sx, sy), is_listed, name), flux))
    if len(stars) > MOST_STARS:
        # Bright and near ones first; light falls about with the cube of the distance.
        def weight(item):
            star, flux = item
            distance = max(np.hypot(star.x - x, star.y - y), psf.fwhm)
            return -np.nan_to_num(flux, nan=1e9) / distance**3

        stars = sorted(stars, key=weight)[:MOST_STARS]
    return stars


def _fit_stars(pixels, good, variance, colour, n_colours, given, psf, noise, x0, y0):
    """All stars of the box fitted together: the stars with their light, and the sum of it."""
    light = np.zeros(pixels.shape)
    if not given:
        return (), light
    # Where star images are very wide neighbouring pixels tell the same of them.
    every = max(1, int(psf.fwhm / THINNED_FWHM))
    told = np.ix_(*(np.flatnonzero(np.arange(n) // 2 % every == 0) for n in pixels.shape))
    rows, columns = np.indices(pixels.shape)
    whole = columns, rows, colour
    pixels, good, variance, colour, columns, rows = (
        image[told] for image in (pixels, good, variance, colour, columns, rows)
    )
    smooth = _HighPass(good, 2.0 * psf.fwhm / every)
    wanted = smooth(pixels)
    stars = [star for star, _ in given]
    expected = np.array([flux for _, flux in given])
    places = np.array([[star.x, star.y] for star in stars])
    total = np.zeros((len(stars), n_colours))
    used, light = good, np.zeros(pixels.shape)
    drawn: dict = {}

    def draw(columns, rows):
        """Images of all stars where they stand now; those that did not move are drawn already."""
        now = {}
        for px, py in map(tuple, places):
            now[px, py] = drawn.get((px, py))
            if now[px, py] is None:
                now[px, py] = pixel_image(psf, px - x0, py - y0, columns.ravel(), rows.ravel())
        drawn.clear()
        drawn.update(now)
        return [now[place] for place in map(tuple, places)]

    for turn in range(3):
        images = draw(columns, rows)
        columns_of, what = [], []
        for k, (value, sx, sy) in enumerate(images):
            value = value.reshape(pixels.shape)
            if value[good].max(initial=0.0) <= 0:
                continue
            for c in range(n_colours):
                columns_of.append(smooth(value * (colour == c)))
                what.append((k, c))
            mean = float(total[k].mean())
            if turn and mean * value.max() > 4.0 * np.sqrt(np.median(variance)):
                for axis, slope in ((-1, sx), (-2, sy)):
                    columns_of.append(smooth(slope.reshape(pixels.shape) * total[k][colour]))
                    what.append((k, axis))
        if not columns_of:
            break
        root = 1.0 / np.sqrt(variance + np.maximum(light, 0) / noise.gain_e_adu + (MODEL_ERROR * light) ** 2)
        design = np.stack([column[used] for column in columns_of]) * root[used]
        normal, right = design @ design.T, design @ (wanted * root)[used]
        for i, (k, c) in enumerate(what):
            if c < 0:  # places stay within their errors
                normal[i, i] += stars[k].place_px ** -2
                right[i] += (stars[k].prior[-1 - c] - places[k][-1 - c]) * stars[k].place_px ** -2
            elif np.isfinite(expected[k]) and expected[k] > 0:
                weight = (LIGHT_ERROR[stars[k].listed] * expected[k]) ** -2
                normal[i, i] += weight
                right[i] += weight * expected[k]
        scale = np.sqrt(np.maximum(np.diag(normal), 1e-300))
        solution = np.linalg.lstsq(normal / np.outer(scale, scale), right / scale, rcond=1e-8)[0] / scale
        for value, (k, c) in zip(solution, what, strict=True):
            if c >= 0:
                total[k, c] = max(value, 0.0)
            else:
                places[k][-1 - c] += np.clip(value, -0.5, 0.5)
        light = np.zeros(pixels.shape)
        for k, (value, _, _) in enumerate(images):
            light += value.reshape(pixels.shape) * total[k][colour]
        rest = wanted - smooth(light)
        sigma = np.sqrt(variance + np.maximum(light, 0) / noise.gain_e_adu + (3 * MODEL_ERROR * light) ** 2)
        # Cosmic rays, the body, stars in no list: not to pull the fitted ones.
        used = good & (np.abs(rest) < 5.0 * sigma)
    if every > 1:
        drawn.clear()
    columns, rows, colour = whole
    light = np.zeros(colour.shape)
    for k, (value, _, _) in enumerate(draw(columns, rows)):
        light += value.reshape(colour.shape) * total[k][colour]
    fitted = tuple(
        SceneStar(float(px), float(py), total[k], star.prior, star.listed, star.name)
        for k, (star, (px, py)) in enumerate(zip(stars, places, strict=True))
    )
    return fitted, light


class _HighPass:
    """An image less its own smooth version, holes left out: level and nebula go, points of light stay."""

    def __init__(self, good, sigma):
        self.good = good
        # The bell is wide: what it takes may be summed in blocks first, which is as linear and much quicker.
        side = max(1, int(sigma / 3))
        self.starts = [np.arange(0, n, side) for n in good.shape]
        self.bells = []
        for n, starts in zip(good.shape, self.starts, strict=True):
            middle = 0.5 * (starts + np.minimum(starts + side, n) - 1)
            away = (np.arange(n)[:, None] - middle) / sigma
            self.bells.append(np.where(np.abs(away) < 3.0, np.exp(-0.5 * away**2), 0.0))
        self.share = np.maximum(self.smooth(good.astype(float)), 1e-6)

    def smooth(self, image):
        for axis, starts in enumerate(self.starts):
            if len(starts) < image.shape[axis]:
                image = np.add.reduceat(image, starts, axis=axis)
        return self.bells[0] @ image @ self.bells[1].T

    def __call__(self, image):
        image = np.where(self.good, image, 0.0)
        return np.where(self.good, image - self.smooth(image) / self.share, 0.0)


def _tints(left, calm, colour, n_colours, variance, psf):
    """How much of a nebula's light each colour passes: from what its smoothed pixels do together."""
    fine = max(psf.sigma, LEAST_FINE)
    if n_colours == 1 or calm.sum() < 12 * 4 * np.pi * fine**2:
        return np.ones(n_colours)
    # What is wide has each colour's own level taken off already (`level_mosaic_sky`), and green's put there.
    maps = [
        _smoothed(left, use, fine)[calm] - _smoothed(left, use, COLOURS_ALIKE)[calm]
        for use in (calm & (colour == c) for c in range(n_colours))
    ]
    maps = np.array(maps) - np.median(maps, axis=1, keepdims=True)
    shares = np.array([(colour == c).mean() for c in range(n_colours)])
    noise2 = [np.median(variance[colour == c]) for c in range(n_colours)] / (shares * 4 * np.pi * fine**2)
    limit = 4 * np.std(maps, axis=1, keepdims=True)
    covariance = np.cov(np.clip(maps, -limit, limit))
    values, vectors = np.linalg.eigh(covariance - np.diag(noise2))
    lead = vectors[:, -1] * np.sign(vectors[:, -1].sum())
    # Without clear structure colours are taken alike: there is little for them to differ in.
    if values[-1] < float(noise2.max()) or (lead <= 0.15 * lead.max()).any():
        return np.ones(n_colours)
    return lead / float(np.sum(lead * shares))


def _smoothed(image, use, sigma):
    """Mean of the pixels in use about each place, in a bell of this width."""
    bell = _HighPass(use, sigma)
    return bell.smooth(np.where(use, image, 0.0)) / bell.share


def _off_colour(left, usable, colour, tint):
    """Wide light of each colour that is not the nebula's: of levels that were taken off colour by colour."""
    limit = 5.0 * np.std(left[usable])
    clipped = np.clip(left, -limit, limit)
    wide = np.array([_smoothed(clipped, usable & (colour == c), COLOURS_ALIKE) for c in range(len(tint))])
    weight = np.array([(colour == c).mean() for c in range(len(tint))]) * tint
    common = np.tensordot(weight / float(weight @ tint), wide, 1)
    return np.take_along_axis(wide, colour[None], 0)[0] - tint[colour] * common


def _structure(left, calm, sigma, variance) -> Structure:
    """Covariance of the structure in what the stars leave, from its autocorrelation."""
    none = Structure(np.zeros(len(LENGTHS)), sigma)
    if calm.sum() < 200:
        return none
    ny, nx = left.shape
    rest = np.where(calm, left - _plane(left, calm), 0.0)
    limit = 5.0 * np.std(rest[calm])
    rest = np.clip(rest, -limit, limit)
    reach = int(min(max(8 * sigma, 6), ny // 2 - 1, nx // 2 - 1))
    if reach < 3:
        return none
    # Padded so that pixels as far apart as that do not meet around the edges.
    shape = [fft.next_fast_len(n + reach, real=True) for n in (ny, nx)]
    power = np.abs(fft.rfft2(rest, shape)) ** 2
    pairs = np.abs(fft.rfft2(calm.astype(float), shape)) ** 2
    sums, count = fft.irfft2(power, shape), fft.irfft2(pairs, shape)
    # Half of it is the other half turned over; a pixel with itself holds the noise, which is no structure.
    dy, dx = np.mgrid[0 : reach + 1, -reach : reach + 1]
    distance2 = (dx**2 + dy**2).astype(float)
    n = count[dy, dx]
    use = ((dy > 0) | (dx > 0)) & (distance2 <= reach**2) & (n > 50)
    dx, dy, n = dx[use], dy[use], n[use]
    covariance = sums[dy, dx] / n
    level = float(np.median(variance)) / np.sqrt(np.median(n))
    basis = np.exp(-0.5 * distance2[use][:, None] / none.lengths2)
    amplitudes, left = _amplitudes(basis, covariance, n, level)
    alike = Structure(amplitudes, sigma)
    if not alike.share(float(np.median(variance))) > ROUGH:
        return alike
    return _with_ridges(alike, RIDGE_LEAVES * left, dx, dy, basis, covariance, n, level)


def _with_ridges(alike: Structure, least, dx, dy, basis, covariance, n, level) -> Structure:
    """With structure that lies one way, at the angle at which that leaves least: less than `least`."""
    k, lengths2 = len(LENGTHS), 2.0 * (alike.sigma * np.array(RIDGES)) ** 2
    best = alike
    for angle in np.arange(RIDGE_ANGLES) * np.pi / RIDGE_ANGLES:
        shapes = [_ridge_shape(dx, dy, angle, *ridge) for ridge in lengths2]
        both, left = _amplitudes(np.column_stack([basis, *shapes]), covariance, n, level)
        if left < least:
            ridges = [(float(a), float(angle), *map(float, ridge))
                      for a, ridge in zip(both[k:], lengths2, strict=True) if a > 0]  # fmt: skip
            best, least = Structure(both[:k], alike.sigma, tuple(ridges), alike.amplitudes), left
    return best


def _amplitudes(basis, covariance, n, level):
    """Amplitudes of the columns of a basis, none below 0, and the weighted squares that they leave.

    `n` pairs of pixels give each value; `level` is the error of one by the noise.
    """
    weighted = (basis * n[:, None]).T
    normal, pull = weighted @ basis, weighted @ covariance
    try:
        root = np.linalg.cholesky(normal)
        amplitudes, _ = optimize.nnls(root.T, linalg.solve_triangular(root, pull, lower=True))
    except np.linalg.LinAlgError:
        amplitudes, _ = optimize.nnls(normal, pull)
    # Noise correlates by chance: what is not beyond it is none.
    chance = level / np.sqrt(np.maximum(np.sum(basis, axis=0), 1.0))
    amplitudes = np.where(amplitudes > 2.0 * chance, amplitudes, 0.0)
    return amplitudes, float(n @ np.square(covariance) - amplitudes @ (2.0 * pull - normal @ amplitudes))


def _peaks(snr, distance, radius, limit, x0, y0, x, y):
    """Local maxima above the limit within the radius, refined by a parabola; highest first."""
    top = (snr >= limit) & (distance <= radius) & (snr == ndimage.maximum_filter(snr, 3))
    result = []
    # At the rim a peak may lie outside, and a parabola has nothing to lean on.
    for j, i in np.argwhere(top[1:-1, 1:-1]) + 1:
        dx = _parabola(snr[j, i - 1], snr[j, i], snr[j, i + 1])
        dy = _parabola(snr[j - 1, i], snr[j, i], snr[j + 1, i])
        px, py = float(x0 + i + dx), float(y0 + j + dy)
        result.append(Candidate(px, py, float(snr[j, i]), float(np.hypot(px - x, py - y))))
    return sorted(result, key=lambda candidate: -candidate.snr)


def _parabola(left, middle, right) -> float:
    """Where a parabola through three neighbours peaks, px from the middle one."""
    bend = left + right - 2 * middle
    return float(np.clip(0.5 * (left - right) / bend, -0.5, 0.5)) if np.isfinite(bend) and bend < 0 else 0.0
