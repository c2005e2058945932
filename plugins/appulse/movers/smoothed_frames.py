"""Frames brought to one grid, one brightness and one image of a point: what can be subtracted.

The grid::

    grid (pixels of one of the frames, counted from another corner)
      |  its WCS                 |  WCS of frame k          |  what the stars of both frames say
      v                          v                          v
    sky  --------------------> pixels by the WCS -------> pixels where frame k shows it

Turned, mirrored and shifted frames come out alike; a WCS that is off by some pixels is put right by the stars
that both frames show. Then every frame is smoothed by a kernel that brings its PSF to one image of a point,
the same for all frames::

    K = P G / P_k  (transforms)     P_k: the frame's PSF;  P: a typical one, round;  G: a Gaussian as wide

For Gaussians K is the Gaussian of what the frame lacks in width; for Moffats it brings the wings along. With
P = P_k it is about the frame's matched filter; it stays within a tenth of it where the seeing differs by up
to a half. At last it is scaled by the brightness of the stars and resampled onto the grid. The smoothed
frames hold all there is to know about points of light, and their differences are the matched filter's
differences. What the kernels leave (a PSF that changes over the field, a shift, the transparency) is taken
out by :mod:`appulse.movers.difference_images`.
"""

import shutil
import tempfile
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from scipy import fft, integrate, ndimage, special

from appulse.astrometry import one_level
from appulse.constants import ARCSEC_PER_RAD, FWHM_PER_SIGMA
from appulse.errors import MeasurementError
from appulse.frames import SkyMap
from appulse.numerics import offsets_rad, radec_from_unit, tangent_axes, unit_from_radec
from appulse.registration import Bad, Match, PixelMap, Spline, match_frame, nearest_pixel

MOST_STARS = 600
FAR_ARCSEC = 180.0
"""Frames of one search follow each other: none is farther off than a few minutes of a poor mount's drift."""
LARGEST_GRID = 2.5
"""Sides of the grid over those of the frame it follows: frames strewn wider than that share little sky."""
STRIP_ROWS = 256
IN_MEMORY_BYTES = 400e6
"""Smoothed frames beyond this lie in a temporary file while they are needed."""
BAD_SHARE, MOST_BAD, SATURATED_SHARE = 0.05, 0.3, 0.003
"""A smoothed pixel is looked at closer, or not used, if so much of its weight fell on bad or saturated
pixels: the light that is missing from a saturated core is many times what a mover has."""
MENDED_ERROR, MENDED_SIGMAS = 0.4, 2.0
"""A lone bad pixel is mended to this share of the light about it (a tenth of a point's peak, which is twice
the smoothed one, at FWHM 2.9 px; sharper ones more); where that may be more than noise it is not used."""


@dataclass(eq=False)
class CommonGrid:
    """Where a set of frames lies on a common grid."""

    frames: list
    # Index of the frame whose pixels the grid follows.
    reference: int
    # (int, int); x and y of the grid's pixel (0, 0) in the reference frame's pixels.
    origin: tuple[int, int]
    # (int, int); rows and columns of the grid.
    shape: tuple[int, int]
    # What the common stars say; None where the WCS alone is followed.
    matches: list[Match | None]
    # Stars that each frame has in common with the reference.
    common: list[int]
    _maps: dict = field(default_factory=dict, repr=False)

    def to_frame(self, k: int, gx, gy):
        """Pixels of frame k that show places of the grid."""
        x, y = np.asarray(gx, float) + self.origin[0], np.asarray(gy, float) + self.origin[1]
        if k == self.reference:
            return x, y
        return _through(self.frames[self.reference], self.frames[k], self.matches[k], x, y)

    def pixel_map(self, k: int) -> PixelMap:
        """Pixels of frame k for the grid's."""
        if k not in self._maps:
            self._maps[k] = PixelMap.through(lambda gx, gy: self.to_frame(k, gx, gy), self.shape)
        return self._maps[k]

    def jacobian(self, k: int) -> np.ndarray:
        """d(x, y of frame k) / d(x, y of the grid) at the grid's middle, (2, 2)."""
        cy, cx = (self.shape[0] - 1) / 2, (self.shape[1] - 1) / 2
        x, y = self.to_frame(k, cx + np.array([0.5, -0.5, 0, 0]), cy + np.array([0, 0, 0.5, -0.5]))
        return np.array([[x[0] - x[1], x[2] - x[3]], [y[0] - y[1], y[2] - y[3]]])


def common_grid(frames, plates, *, least: int = 3) -> CommonGrid:
    """A common grid for frames of one field."""
    reference = _middle_frame(frames, plates)
    matches, common = [], []
    for k, frame in enumerate(frames):
        found = None if k == reference else _common_stars(frames, plates, reference, k)
        if k != reference and found is None and min(_bright(plates[j]) for j in (k, reference)) >= 12:
            raise MeasurementError(f"{frame.name}: its stars lie nowhere near those of the other frames")
        matches.append(found)
        common.append(len(plates[k].survey.sources) if k == reference else _pairs(found))
    origin, shape = _extent(frames, matches, reference, least)
    return CommonGrid(list(frames), reference, origin, shape, matches, common)


def _middle_frame(frames, plates) -> int:
    """The frame of median seeing."""
    width = [p.survey.psf.fwhm * f.pixel_scale for f, p in zip(frames, plates, strict=True)]
    return int(np.argsort(width, kind="stable")[(len(width) - 1) // 2])


def _bright(plate) -> int:
    return int(np.sum(np.asarray(plate.survey.sources["snr"])[:MOST_STARS] > 12))


def _pairs(found) -> int:
    return 0 if found is None else len(found.star)


def _common_stars(frames, plates, reference, k) -> Match | None:
    here, there = plates[reference].survey.sources[:MOST_STARS], plates[k].survey.sources[:MOST_STARS]
    x, y = _through(frames[reference], frames[k], None, np.asarray(here["x"]), np.asarray(here["y"]))
    known = np.isfinite(x) & np.isfinite(y)
    stars, sources = np.column_stack([x, y])[known], np.column_stack([there["x"], there["y"]])
    frame, fwhm = frames[k], plates[k].survey.psf.fwhm
    return match_frame(stars, sources, frame.shape, frame.pixel_scale, fwhm, FAR_ARCSEC)


def _through(reference, frame, found, x, y):
    """From pixels of one frame to those of another, by the sky and the stars in common."""
    x, y = frame.to_pixel(*reference.to_sky(x, y))
    if found is None:
        return x, y
    moved = found.apply(np.column_stack([x, y]))
    return moved[:, 0], moved[:, 1]


def _extent(frames, matches, reference, least):
    """Origin and shape of the box that holds all sky shown by `least` frames, in the reference's pixels."""
    ny, nx = frames[reference].shape
    step = max(4, min(nx, ny) // 100)
    wide = (LARGEST_GRID - 1) / 2
    gx, gy = np.meshgrid(
        np.arange(-wide * nx, (1 + wide) * nx, step), np.arange(-wide * ny, (1 + wide) * ny, step)
    )
    count = np.zeros(gx.shape, int)
    for k, frame in enumerate(frames):
        x, y = gx.ravel(), gy.ravel()
        if k != reference:
            x, y = _through(frames[reference], frame, matches[k], x, y)
        # NaN compares false: what the projection does not reach is not shown.
        inside = (x > -0.5) & (x < frame.shape[1] - 0.5) & (y > -0.5) & (y < frame.shape[0] - 0.5)
        count += inside.reshape(gx.shape)
    shown = count >= min(least, len(frames))
    if not shown.any():
        raise MeasurementError(f"no sky that {least} of the frames show")
    shown = ndimage.binary_dilation(shown, np.ones((3, 3), bool))
    x0, x1 = int(np.floor(gx[shown].min())), int(np.ceil(gx[shown].max()))
    y0, y1 = int(np.floor(gy[shown].min())), int(np.ceil(gy[shown].max()))
    if np.all(count[(gx >= 0) & (gx < nx) & (gy >= 0) & (gy < ny)] == len(frames)):
        # Frames that lie on each other: the grid is the frame, not a step more.
        x0, x1, y0, y1 = max(x0, 0), min(x1, nx - 1), max(y0, 0), min(y1, ny - 1)
    return (x0, y0), (y1 - y0 + 1, x1 - x0 + 1)


class GridSky(SkyMap):
    """The sky of a registration's grid: the reference frame's map, its plate's zero point off."""

    #     grid --origin--> pixels of the reference frame --its WCS--> sky --the stars' offset--> sky (ICRF)

    def __init__(self, registration, plates, centre):
        # centre: (3,) array; unit vector at which the plane touches in which the zero point is taken off and
        # lines are fitted.
        self.registration, self.centre = registration, centre
        self.frame = registration.frames[registration.reference]
        plate = plates[registration.reference]
        self.model = plate.model if plate.corrected else None

    def _zero_point(self, x, y):
        """The stars' offset, xi and eta in arcsec, at pixels of the reference frame."""
        return (self.model.terms(x, y) @ np.stack([self.model.east, self.model.north], 1)).T

    def offsets(self, gx, gy):
        """xi, eta in arcsec of places of the grid, shape (2, n)."""
        x, y = gx + self.registration.origin[0], gy + self.registration.origin[1]
        place = ARCSEC_PER_RAD * np.stack(offsets_rad(self.centre, unit_from_radec(*self.frame.to_sky(x, y))))
        return place if self.model is None else place - self._zero_point(x, y)

    def grid(self, xi, eta):
        """Places of the grid, px, shape (2, n)."""
        shift = np.zeros((2, len(xi)))
        # The zero point belongs to the pixel that is sought; it changes so little across a frame that the
        # third step moves nothing.
        for _ in range(1 if self.model is None else 3):
            x, y = self.frame.to_pixel(*self._sky(xi + shift[0], eta + shift[1]))
            if self.model is not None:
                shift = self._zero_point(x, y)
        return np.stack([x - self.registration.origin[0], y - self.registration.origin[1]])

    def _sky(self, xi, eta):
        east, north = tangent_axes(self.centre)
        return radec_from_unit(self.centre + (xi[..., None] * east + eta[..., None] * north) / ARCSEC_PER_RAD)

    def to_sky(self, x, y):
        x, y = np.broadcast_arrays(np.asarray(x, float), np.asarray(y, float))
        xi, eta = self.offsets(x.ravel(), y.ravel())
        return tuple(value.reshape(x.shape) for value in self._sky(xi, eta))

    def to_pixel(self, ra_deg, dec_deg):
        unit = unit_from_radec(*np.broadcast_arrays(np.asarray(ra_deg, float), np.asarray(dec_deg, float)))
        xi, eta = ARCSEC_PER_RAD * np.stack(offsets_rad(self.centre, unit))
        return tuple(value.reshape(xi.shape) for value in self.grid(xi.ravel(), eta.ravel()))

    def plane_jacobian(self, gx, gy):
        """d(xi, eta) / d(gx, gy), arcsec per px, (2, 2): of the plane, where `jacobian` is of the sky."""
        step = np.array([0.5, -0.5, 0.0, 0.0])
        at = self.offsets(gx + step, gy + step[[2, 3, 0, 1]])
        return np.stack([at[:, 0] - at[:, 1], at[:, 2] - at[:, 3]], axis=1)


def own_covariance(psf) -> np.ndarray:
    """Of a frame's PSF at its middle, in its own pixels, a pixel's own width in it, px^2."""
    ny, nx = psf.shape
    return psf.at((nx - 1) / 2, (ny - 1) / 2).covariance + np.eye(2) / 12


@dataclass(frozen=True)
class PointImage:
    """The image of a point on smoothed frames: a round PSF, and a Gaussian on it."""

    # point, more: variances of the PSF (of the Gaussian of its FWHM) and of the Gaussian, grid px^2.
    point: float
    more: float
    # Exponent of a Moffat PSF; None for a Gaussian.
    beta: float | None

    @classmethod
    def of(cls, own, inverse, psfs) -> "PointImage":
        """Of a typical width, and so wide that every frame is smoothed by most of a pixel."""
        typical, least = [], []
        for covariance, to_grid in zip(own, inverse, strict=True):
            typical.append(np.sqrt(np.linalg.det(to_grid @ covariance @ to_grid.T)))
            least.append(np.linalg.eigvalsh(to_grid @ (covariance + 0.64 * np.eye(2)) @ to_grid.T)[-1])
        point = float(np.median(typical))
        betas = [psf.beta for psf in psfs if psf.n_stars > 0]
        known = [beta for beta in betas if beta is not None]
        # One profile for all: which exponent fits a single frame best is a matter of chance.
        beta = float(np.median(known)) if 2 * len(known) > len(betas) else None
        return cls(point, max(2.0 * point, max(least)) - point, beta)

    @property
    def width(self) -> float:
        """S: from the peak, the integral of the transform."""
        f = np.linspace(0.0, 1.0, 2001)
        transform = _otf(self.point * f**2, self.beta) * _otf(self.more * f**2, None)
        peak = float(integrate.trapezoid(2 * np.pi * f * transform, f))
        return float(1.0 / np.sqrt(2 * np.pi * peak))

    @property
    def bend(self) -> float:
        """Curvature of the peak, from steps of a pixel."""
        f = fft.fftfreq(64)
        variance = f[:, None] ** 2 + f**2
        return _bend(_otf(self.point * variance, self.beta) * _otf(self.more * variance, None), f, np.eye(2))


@dataclass(frozen=True)
class Kernel:
    """What brings a frame's points to the target, in the frame's own pixels."""

    target: PointImage
    # (2, 2) array; from grid pixels to the frame's.
    jacobian: np.ndarray
    # (2, 2) array; covariance of the frame's PSF, px^2.
    own: np.ndarray

    def transfer(self, shape):
        """Fourier transform on the half plane of a real transform, float32."""
        fy, fx = fft.fftfreq(shape[0])[:, None], fft.rfftfreq(shape[1])[None, :]

        def form(c):
            return c[0, 0] * fx**2 + 2 * c[0, 1] * fx * fy + c[1, 1] * fy**2

        # The grid's circle in the frame's pixels.
        circle = form(self.jacobian @ self.jacobian.T)
        if self.target.beta is None:
            return _otf((self.target.point + self.target.more) * circle - form(self.own), None)
        ratio = _otf(self.target.point * circle, self.target.beta) / _otf(form(self.own), self.target.beta)
        return (ratio * _otf(self.target.more * circle, None)).astype(np.float32)

    @property
    def bend(self) -> float:
        """Curvature of the kernel itself at its peak, from steps of a grid pixel."""
        f = fft.fftfreq(64)
        half = self.transfer((64, 64))
        whole = np.concatenate([half, half[:, -2:0:-1][np.r_[0, 63:0:-1]]], axis=1)
        return _bend(whole, f, self.jacobian)

    @property
    def reach(self) -> int:
        """Beyond so many pixels there is nothing left of it worth having."""
        wide = np.sqrt((self.target.point + self.target.more) * np.linalg.norm(self.jacobian, 2) ** 2)
        return int(np.ceil((4.5 if self.target.beta is None else 9.0) * wide)) + 1


def _bend(transfer, f, jacobian) -> float:
    """Four times the peak minus its values a grid pixel away, over the peak, from the whole transform."""
    waves = sum(np.cos(2 * np.pi * (step[0] * f[None, :] + step[1] * f[:, None])) for step in jacobian.T)
    return float(4.0 - 2.0 * np.sum(transfer * waves) / np.sum(transfer))


def _otf(variance, beta):
    """Fourier transform of a Gaussian, or of a Moffat of its FWHM, where f C f is `variance`."""
    # Moffat (1969, A&A 3, 455), (1 + r^2/a^2)^-beta: 2 (z/2)^v K_v(z) / Gamma(v), z = 2 pi a f, v = beta - 1.
    if beta is None:
        return np.exp(-2 * np.pi**2 * variance).astype(np.float32)
    z = np.pi * FWHM_PER_SIGMA / np.sqrt(2 ** (1 / beta) - 1) * np.sqrt(np.maximum(variance, 0.0))
    steps = np.linspace(0.0, max(float(np.max(z)), 1e-3), 8192)[1:]
    table = 2 * (steps / 2) ** (beta - 1) * special.kv(beta - 1, steps) / special.gamma(beta - 1)
    # Its logarithm is nearly straight; a floor keeps the ratio of two transforms from running away.
    values = np.interp(z, np.append(0.0, steps), np.log(np.append(1.0, np.maximum(table, 1e-12))))
    return np.exp(values).astype(np.float32)


@dataclass(eq=False)
class SmoothedFrames:
    """Frames on one grid, in one unit (the reference frame's), smoothed to one width."""

    # (n, ny, nx) float32 array; light above each frame's typical level; NaN where a frame shows nothing
    # usable.
    planes: np.ndarray
    # S, grid px: a point of light of unit flux has the peak 1 / (2 pi S^2); sigma if it is Gaussian.
    width: float
    # (n,) array; factor from a frame's stored numbers to those of `planes`.
    unit: np.ndarray
    # (n,) array; sum of the squares of the smoothing kernel: variance of a smoothed pixel over that of a
    # pixel.
    kernel2: np.ndarray
    # (n,) array; variance of the sky's pixels, stored units.
    floor: np.ndarray
    # (n,) array; electrons per stored unit.
    gain: np.ndarray
    # Curvature of a point of light: four times the peak minus its four neighbours, over the peak.
    point_bend: float
    # (n,) array; the same of a single pixel's light (a cosmic ray), which never went through the telescope.
    hit_bend: np.ndarray
    # (n,) array; of the frame's own pixels, share that saturation or bad pixels take away.
    masked_share: np.ndarray
    _folder: object = field(default=None, repr=False)

    def close(self) -> None:
        """Give back what the planes take, on disk too."""
        self.planes = np.zeros((0, 0, 0), np.float32)
        if self._folder is not None:
            self._folder.cleanup()


def smooth_frames(registration, plates, *, progress=None) -> SmoothedFrames:
    """Smooth and resample the frames of a registration."""
    frames, n = registration.frames, len(registration.frames)
    inverse = [np.linalg.inv(registration.jacobian(k)) for k in range(n)]
    own = [own_covariance(p.survey.psf) for p in plates]
    target = PointImage.of(own, inverse, [p.survey.psf for p in plates])
    planes, folder = _room((n, *registration.shape))
    unit = np.array([_unit(registration, plates, k) for k in range(n)])
    kernel2, share, hit_bend = np.zeros((3, n))
    try:
        for k, frame in enumerate(frames if progress is None else progress(frames)):
            kernel = Kernel(target, registration.jacobian(k), own[k])
            hit_bend[k] = kernel.bend
            smooth, taken, kernel2[k] = _smooth(one_level(frame), plates[k].survey, kernel)
            frame.release()
            share[k] = float(taken.mean())
            _resample(smooth, taken, registration, k, planes[k])
            planes[k] *= np.float32(unit[k])
    except BaseException:
        if folder is not None:
            folder.cleanup()
        raise
    floor = np.array([p.survey.sky.typical[1] ** 2 for p in plates])
    gain = np.array([p.survey.noise.gain_e_adu for p in plates])
    return SmoothedFrames(
        planes, target.width, unit, kernel2, floor, gain, target.bend, hit_bend, share, folder
    )


def _room(shape):
    """Array for the planes: in memory, or in a file that goes when they are closed."""
    size = 4 * int(np.prod(shape))
    if size <= IN_MEMORY_BYTES:
        return np.full(shape, np.nan, np.float32), None
    folder = tempfile.TemporaryDirectory(prefix="appulse_")
    free = shutil.disk_usage(folder.name).free
    if free < 1.2 * size:
        folder.cleanup()
        raise MeasurementError(
            f"the smoothed frames take {size / 1e9:.1f} GB of the temporary folder, {free / 1e9:.1f} are free"
        )
    return np.memmap(Path(folder.name) / "planes", np.float32, "w+", shape=shape), folder


def _unit(registration, plates, k) -> float:
    """Stored numbers of the reference over those of frame k for the same star, per pixel's area."""
    found, area = registration.matches[k], abs(np.linalg.det(registration.jacobian(k)))
    if found is None or len(found.star) < 3:
        return 1.0
    here = np.asarray(plates[registration.reference].survey.sources["flux"])[found.star]
    there = np.asarray(plates[k].survey.sources["flux"])[found.source]
    return float(np.median(here / there)) * area


def _smooth(data, looked, kernel):
    """A frame above its typical level, smoothed; what is lost by that; the kernel's sum of squares."""
    level = looked.sky.typical[0]
    pad = kernel.reach
    smooth, taken = np.empty(data.shape, np.float32), np.empty(data.shape, bool)
    kernel2, known, transfer = 0.0, None, None
    for first in range(0, data.shape[0], STRIP_ROWS):
        last = min(first + STRIP_ROWS, data.shape[0])
        rows = np.clip(np.arange(first - pad, last + pad), 0, data.shape[0] - 1)
        values = np.pad(data[rows], ((0, 0), (pad, pad)), mode="edge")
        bad = ~np.isfinite(values)
        full = np.zeros_like(bad) if looked.saturation is None else values >= looked.saturation
        if looked.bad_kinds is not None:
            # Hot pixels, cosmic rays and a satellite's trail cost the places that they touch, and no more.
            kinds = np.pad(looked.bad_kinds[rows], ((0, 0), (pad, pad)), mode="edge")
            full |= kinds & Bad.SATURATED > 0
            bad |= (kinds & ~np.uint8(Bad.SATURATED)) > 0
        values = mended((values - level).astype(np.float32), bad)
        shape = tuple(fft.next_fast_len(m, real=True) for m in values.shape)
        if shape != known:
            known, transfer = shape, kernel.transfer(shape)
            kernel2 = _mean_square(transfer, shape)
        cut = slice(pad, pad + last - first), slice(pad, pad + data.shape[1])
        smooth[first:last] = _filtered(values, transfer, shape)[cut]
        taken[first:last] = False
        if bad.any():
            share = _filtered(bad.astype(np.float32), transfer, shape)[cut]
            wrong = MENDED_ERROR * share * np.maximum(smooth[first:last], 0.0)
            wrong = wrong > MENDED_SIGMAS * looked.sky.typical[1] * np.sqrt(kernel2)
            taken[first:last] |= (share > MOST_BAD) | ((share > BAD_SHARE) & wrong)
        if full.any():
            taken[first:last] |= _filtered(full.astype(np.float32), transfer, shape)[cut] > SATURATED_SHARE
    rim = 2
    taken[:rim] = taken[-rim:] = taken[:, :rim] = taken[:, -rim:] = True
    return smooth, taken, kernel2


def mended(light, bad):
    """Light with its bad pixels put in from those around them; 0 where these are bad as well."""
    out = np.where(bad, np.float32(0.0), light)
    rows, columns = np.nonzero(bad[1:-1, 1:-1])
    rows, columns = rows + 1, columns + 1

    def mean(steps):
        near = [(rows + j, columns + i) for j, i in steps]
        return sum(out[place] for place in near) / 4, ~np.any([bad[place] for place in near], axis=0)

    beside, known = mean([(0, 1), (0, -1), (1, 0), (-1, 0)])
    corners, all_known = mean([(1, 1), (1, -1), (-1, 1), (-1, -1)])
    # Twice the four beside it less the corners: whatever curves evenly is met exactly.
    known &= all_known
    out[rows[known], columns[known]] = (2 * beside - corners)[known]
    return out


def _mean_square(transfer, shape) -> float:
    """Sum of squares of the kernel, by Parseval."""
    twice = 2 * np.sum(transfer.astype(float) ** 2)
    once = np.sum(transfer[:, 0].astype(float) ** 2)
    if shape[1] % 2 == 0:
        once += np.sum(transfer[:, -1].astype(float) ** 2)
    return float((twice - once) / (shape[0] * shape[1]))


def _filtered(values, transfer, shape):
    return fft.irfft2(fft.rfft2(values, shape) * transfer, shape)


def _resample(smooth, taken, registration, k, out) -> None:
    """Cubic interpolation onto the grid, strip by strip; NaN where nothing usable lies."""
    limits = np.array(smooth.shape).reshape(2, 1, 1) - 0.5
    spline, mapped = Spline(smooth), registration.pixel_map(k)
    for first in range(0, registration.shape[0], STRIP_ROWS):
        last = min(first + STRIP_ROWS, registration.shape[0])
        where = mapped.rows(first, last, registration.shape[1])
        outside = ~np.all((where > -0.5) & (where < limits), axis=0)
        # Any place will do there: the mirrored edge would show light that the frame does not have.
        where[:, outside] = 0.0
        values = spline.read(where)
        values[outside | taken[nearest_pixel(where, smooth.shape)]] = np.nan
        out[first:last] = values
