"""Stacks: a weighted mean of every pixel with what belongs to one frame only thrown out, strip by strip.

A pixel of frame i is thrown out when it lies further from the median of all than `clip` times

    sqrt(max(sigma_i^2 + photons, lower scatter^2) + (STRUCTURE x local range of the median)^2)

The last term lets a star's flank differ with the seeing; without it the cores of stars would be clipped. The
noise is modelled; the lower scatter, from median and lower quartile, exceeds it where a nebula drifts under
a body at rest, and knows nothing of stars and satellites, which are bright.

A night has two: the still sky without the body, and the body at rest without the stars. Neither has a step
where a frame ends, or where one is left out under a star: a frame's weight falls towards its border, and
where the still sky drifts under a body at rest, each frame's departure from what all frames see there on
average is known from the still sky and taken off.
"""

import hashlib
from dataclasses import dataclass
from functools import partial

import numpy as np
from scipy import ndimage

from appulse.astrometry import sky_mesh
from appulse.errors import InputError
from appulse.frames import pixel_to_sky
from appulse.numerics import between
from appulse.registration import in_order
from appulse.sequence.body_places import TrailMask, body_peaks
from appulse.sequence.composite import body_radius
from appulse.sequence.parts import digest
from appulse.sequence.resampled_frames import ResampledFrame

STRIP_BYTES = 48e6
"""Of one strip of all frames; about six such arrays are alive in each thread."""
STRUCTURE = 0.25
FEWEST = 3
"""Frames needed to tell which of them is off."""
CELL = 16
FEATHER_PX = 48.0
"""Grid pixels over which a frame's weight rises from its border."""
LEAST = 0.02
"""Weight at the border itself: where nothing else is, the frame still counts."""
STAR_SIGMAS = 2.5
"""Light of the base above its surroundings, in sigmas of a frame, from which the tracked stack leaves a pixel
out."""
NEBULA_SHARE = 0.5
"""Of a nebula's light; so much structure it has of its own."""
BRIGHT = 20.0
"""Times that limit: such a star's halo is left out as well."""
HALO_FWHM = 8.0
STRIP_ROWS = 512


@dataclass
class Stack:
    """A stack and what is known of it."""

    # data, noise: (ny, nx) float32 arrays; weighted mean, and one sigma of it by the noise model: its squares
    # add up over an aperture.
    data: np.ndarray
    noise: np.ndarray
    # (ny, nx) int16 array; frames that went into each pixel.
    count: np.ndarray
    # Share of frame pixels thrown out.
    rejected: float


@dataclass(frozen=True)
class Layer:
    """One frame of a stack."""

    # The frame on the grid.
    plane: object
    level: object
    weight: float
    # Electrons per levelled unit; infinite where unknown.
    gain_e: float = np.inf
    # ``masked(first, last)`` gives a bool array of those rows: pixels not to be used where enough others are;
    # None for none.
    masked: object = None
    # ``local(first, last)``: light of the still sky as it lies under those rows in this frame. Its departure
    # from the mean of all frames is taken off: a frame left out leaves no step behind.
    local: object = None
    # ``share(first, last)``: 0 to 1, falling towards the frame's border; or None where it is 1 all over.
    share: object = None


def stack(layers, shape, *, clip=(4.0, 3.0), free=0.25, workers=1, progress=None) -> Stack:
    """Stack layers on one grid."""
    if not layers:
        raise InputError("no frame to stack: every one was left out")
    ny, nx = shape
    rows = int(max(8, min(ny, STRIP_BYTES / (4.0 * nx * len(layers)))))
    out = Stack(
        np.empty(shape, np.float32), np.empty(shape, np.float32), np.empty(shape, np.int16), 0.0
    )  # fmt: skip
    thrown = []

    def strip(first):
        last = min(first + rows, ny)
        low, high = max(0, first - 1), min(ny, last + 1)
        *values, shares = _strip(layers, low, high)
        part = combine(*values, clip, free, shares)
        inner = slice(first - low, first - low + last - first)
        out.data[first:last], out.noise[first:last] = part[0][inner], part[1][inner]
        out.count[first:last] = part[2][inner]
        thrown.append((part[3], (high - low) * nx * len(layers)))
        return last - first

    for done in in_order(strip, range(0, ny, rows), workers):
        if progress is not None:
            progress(done)
    out.rejected = sum(t for t, _ in thrown) / max(1, sum(n for _, n in thrown))
    return out


def _strip(layers, low, high):
    values = np.stack([layer.level.apply(layer.plane.rows(low, high), 0, low) for layer in layers])
    if all(layer.local is not None for layer in layers):
        still = np.stack([layer.local(low, high) for layer in layers])
        still -= still.mean(axis=0)
        values -= still
        del still
    numbers = [(layer.level.sigma, layer.level.white, layer.weight, layer.gain_e) for layer in layers]
    sigma, white, weight, gain = np.array(numbers, dtype=np.float32).T
    masks = None
    if any(layer.masked is not None for layer in layers):
        masks = np.zeros(values.shape, dtype=bool)
        for mask, layer in zip(masks, layers, strict=True):
            if layer.masked is not None:
                mask[:] = layer.masked(low, high)
    shares = [None if layer.share is None else layer.share(low, high) for layer in layers]
    if all(share is None for share in shares):
        shares = None
    else:
        ones = np.ones(values.shape[1:], np.float32)
        shares = np.stack([ones if share is None else share for share in shares])
    return values, sigma, white, weight, gain, masks, layers[0].level.sky, shares


def combine(values, sigma, white, weight, gain, masks, sky, clip, free=0.25, shares=None):
    """Weighted mean of a strip with rejection."""
    valid = np.isfinite(values)
    if masks is not None:
        unmasked = valid & ~masks
        # Where the mask would leave too little, all frames are looked at again: better a clipped mean of
        # everything than a hole.
        least = np.maximum(1, free * valid.sum(axis=0, dtype=np.int16))
        valid = np.where((unmasked.sum(axis=0, dtype=np.int16) >= least)[None], unmasked, valid)
    n = valid.sum(axis=0, dtype=np.int16)
    middle, scatter = _median(values, valid, n)
    structure = STRUCTURE * (
        ndimage.maximum_filter(middle, 3, mode="nearest") - ndimage.minimum_filter(middle, 3, mode="nearest")
    )
    light = np.maximum(middle - np.float32(sky), 0.0)
    kept = valid.copy()
    rejected = 0
    for i in range(len(values)):
        limit = np.sqrt(np.maximum(sigma[i] ** 2 + light / gain[i], scatter**2) + structure**2)
        off = values[i] - middle
        # NaN compares false: such pixels are not valid anyway.
        wild = ((off > clip[1] * limit) | (off < -clip[0] * limit)) & valid[i] & (n >= FEWEST)
        kept[i] &= ~wild
        rejected += int(wild.sum())
    values[~kept] = 0.0
    total, mean, variance = np.zeros((3, *middle.shape), dtype=np.float32)
    for i in range(len(values)):
        own = kept[i] * weight[i] if shares is None else kept[i] * (weight[i] * shares[i])
        total += own
        mean += own * values[i]
        variance += own**2 * (white[i] ** 2 + light / gain[i])
    count = kept.sum(axis=0, dtype=np.int16)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean, noise = mean / total, np.sqrt(variance) / total
    # Two camps, each far from the median between them: the median stands, with the noise of one frame.
    split = (count == 0) & (n > 0)
    mean[split], noise[split], count[split] = middle[split], sigma.max(), 1
    return mean, noise, count, rejected


def _median(values, valid, n):
    """Median of the valid values along the first axis, 0 where there is none; scatter below it."""
    ordered = np.where(valid, values, np.float32(np.inf))
    ordered.sort(axis=0)
    low = np.maximum((n - 1) // 2, 0).astype(np.intp)[None]
    high = np.minimum(n // 2, len(values) - 1).astype(np.intp)[None]
    middle = 0.5 * (np.take_along_axis(ordered, low, 0)[0] + np.take_along_axis(ordered, high, 0)[0])
    quarter = np.take_along_axis(ordered, np.maximum((n - 1) // 4, 0).astype(np.intp)[None], 0)[0]
    with np.errstate(invalid="ignore"):
        scatter = np.where(n >= 4, (middle - quarter) / np.float32(0.6745), np.float32(0.0))
    return np.where(n > 0, middle, np.float32(0.0)), scatter


class Feather:
    """Weight of a frame from 0 to 1 by the distance from its border, on a grid displaced by `shift`."""

    def __init__(self, corners, shift, nx):
        # corners: (4, 2) array; of the frame, px of the grid, in order.
        # shift: (float, float); the displaced grid's pixel (x, y) shows the grid's (x, y) + shift.
        corners = np.asarray(corners, dtype=float) - np.asarray(shift, dtype=float)
        along = np.roll(corners, -1, axis=0) - corners
        normal = np.column_stack([-along[:, 1], along[:, 0]]) / np.hypot(*along.T)[:, None]
        # Turned so that it points inwards, whichever way round the corners go.
        normal *= np.sign(np.sum(normal * (corners.mean(axis=0) - corners), axis=1))[:, None]
        self.sides = np.column_stack([normal, -np.sum(normal * corners, axis=1)])
        self.nx = nx

    def __call__(self, first, last):
        """Weights of rows first..last-1, float32; None where all are 1."""
        ends = np.array([[x, y, 1.0] for x in (0.0, self.nx - 1.0) for y in (first, last - 1.0)])
        near = np.flatnonzero((ends @ self.sides.T).min(axis=0) < FEATHER_PX)
        if len(near) == 0:
            return None
        y = np.arange(first, last, dtype=np.float32)[:, None]
        x = np.arange(self.nx, dtype=np.float32)[None, :]
        distance = np.full((last - first, self.nx), np.float32(FEATHER_PX))
        for a, b, c in self.sides[near].astype(np.float32):
            np.minimum(distance, a * x + b * y + c, out=distance)
        return np.clip(distance / np.float32(FEATHER_PX), np.float32(LEAST), np.float32(1.0))


def still_mesh(light, stars) -> np.ndarray:
    """Mean of what is no star in cells of 16 x 16 pixels of a base, (my, mx) float32 array."""
    my, mx = (-(-n // CELL) for n in light.shape)
    total, count = np.zeros((2, my, mx), dtype=np.float64)
    for row in range(my):
        rows = slice(row * CELL, (row + 1) * CELL)
        good = np.isfinite(light[rows]) & ~stars[rows]
        starts = np.arange(0, light.shape[1], CELL)
        total[row] = np.add.reduceat(np.where(good, light[rows], 0.0).sum(axis=0), starts)
        count[row] = np.add.reduceat(good.sum(axis=0), starts)
    empty = count < CELL
    mesh = total / np.maximum(count, 1)
    if empty.all():
        return np.zeros((my, mx), dtype=np.float32)
    return _filled_from_nearest(mesh, empty).astype(np.float32)


def _filled_from_nearest(mesh, empty):
    """A mesh whose empty cells have what the nearest other has."""
    if not empty.any():
        return mesh
    return mesh[tuple(ndimage.distance_transform_edt(empty, return_distances=False, return_indices=True))]


class StillSky:
    """Level of the still sky under a body at rest, in one frame."""

    def __init__(self, mesh, shift, nx):
        # mesh: (my, mx) float32 array; of the base, on the star grid: nebulae and gradients, no stars.
        # shift: (float, float); the body grid's pixel (x, y) shows the star grid's (x, y) + shift.
        self.mesh, self.shift, self.nx = mesh, shift, nx

    def __call__(self, first, last):
        """Rows first..last-1 of the body's grid, float32; beyond the base its edge is held."""
        rows, columns = np.arange(first, last) + self.shift[1], np.arange(self.nx) + self.shift[0]
        return between_cells(self.mesh, CELL, rows, columns)


class StarMask:
    """Stars of the base as they lie on the body's grid in one frame."""

    def __init__(self, stars, shift):
        # stars: (ny, nx) bool array; on the star grid.
        # shift: (float, float); the body grid's pixel (x, y) shows the star grid's (x, y) + shift.
        self.stars, self.shift = stars, (round(float(shift[0])), round(float(shift[1])))

    def __call__(self, first, last):
        """Mask of rows first..last-1."""
        ny, nx = self.stars.shape
        dx, dy = self.shift
        mask = np.zeros((last - first, nx), dtype=bool)
        y0, y1 = max(first + dy, 0), min(last + dy, ny)
        x0, x1 = max(dx, 0), min(nx + dx, nx)
        if y0 < y1 and x0 < x1:
            mask[y0 - dy - first : y1 - dy - first, x0 - dx : x1 - dx] = self.stars[y0:y1, x0:x1]
        return mask


def star_pixels(light, sigma, fwhm) -> np.ndarray:
    """Pixels of a base in which a star shows in a single frame, and their neighbours; bool array."""
    coarse = sky_mesh(light, box=16)
    level = coarse.typical[0]
    fine, cell = _fine_mesh(light, fwhm, level)
    stars, wide, cores = np.zeros((3, *light.shape), dtype=bool)
    for first in range(0, light.shape[0], STRIP_ROWS):
        rows = slice(first, min(first + STRIP_ROWS, light.shape[0]))
        around = coarse.rows(rows.start, rows.stop)
        near = between_cells(fine, cell, np.arange(rows.start, rows.stop), np.arange(light.shape[1]))
        with np.errstate(invalid="ignore"):
            stars[rows] = light[rows] - near > _limit(near, level, sigma)
            limit = _limit(around, level, sigma)
            wide[rows] = light[rows] - around > limit
            cores[rows] = light[rows] - near > BRIGHT * limit
    if cores.any():
        reach = 2 * int(np.ceil(HALO_FWHM * fwhm)) + 1
        stars |= wide & (ndimage.maximum_filter(cores.view(np.uint8), reach) > 0)
    return ndimage.binary_dilation(stars, iterations=1)


def _limit(around, level, sigma):
    return STAR_SIGMAS * sigma + NEBULA_SHARE * np.maximum(around - level, 0.0)


def _fine_mesh(light, fwhm, level):
    """Lower median of cells a few star widths wide, spikes of single cells taken out: it follows nebulae."""
    cell = max(8, round(4 * fwhm))
    my, mx = (max(1, n // cell) for n in light.shape)
    mesh = np.full((my, mx), np.nan, dtype=np.float32)
    width = min(mx * cell, light.shape[1])
    for j in range(my):
        block = light[j * cell : (j + 1) * cell, :width]
        values = np.moveaxis(block.reshape(block.shape[0], mx, -1), 1, 0).reshape(mx, -1)
        values = np.sort(values, axis=1)
        count = np.isfinite(values).sum(axis=1)
        lower = values[np.arange(mx), np.maximum((2 * count) // 5, 0).clip(0, values.shape[1] - 1)]
        mesh[j] = np.where(count > values.shape[1] // 4, lower, np.nan)
    blank = ~np.isfinite(mesh)
    if blank.all():
        return np.full_like(mesh, level), cell
    mesh = _filled_from_nearest(mesh, blank)
    return ndimage.median_filter(mesh, size=3, mode="nearest"), cell


def between_cells(mesh, cell, rows, columns):
    """A mesh of cells at pixels: their values hold at the cells' middles."""
    y, x = ((np.asarray(place) + 0.5) / cell - 0.5 for place in (rows, columns))
    return between(between(mesh, y, 0), x, 1)


def weights_of(noises) -> np.ndarray:
    """Inverse squares of noises, the largest of them one; a noise of zero is unknown and weighs one too."""
    noises = np.asarray(noises, dtype=float)
    known = noises > 0
    # The squares of a ratio bear any unit of brightness.
    ratio = np.divide(noises[known].min(initial=np.inf), noises, out=np.ones_like(noises), where=known)
    return ratio**2


def layers_of(resampled, colour, settings, masks, grid, still=None) -> list[Layer]:
    """Layers of one plane for the stack; `still` is the mesh of the still sky under a body at rest."""
    found = []
    noises = [frame.levels[colour].white for frame in resampled]
    weights = weights_of(noises) if settings.weights == "noise" else np.ones(len(resampled))
    for frame, mask, weight in zip(resampled, masks, weights, strict=True):
        ny, nx = frame.subframe.frame.shape
        corners = np.array([[0, 0], [nx - 1, 0], [nx - 1, ny - 1], [0, ny - 1]], dtype=float)
        on_grid = grid.to_pixel(*pixel_to_sky(frame.subframe.alignment.wcs, *corners.T))
        share = Feather(np.stack(on_grid, axis=1), frame.shift, grid.shape[1])
        local = None if still is None else StillSky(still, frame.shift, grid.shape[1])
        level = frame.levels[colour]
        gain = frame.subframe.gain / level.factor
        found.append(Layer(frame.planes[colour], level, float(weight), gain, mask, local, share))
    return found


def stack_all(resampled, settings, masks, grid, parts, kind, *, stills=None, **more) -> list[Stack]:
    """One stack for each plane; `more` as for :func:`stack`."""
    clip = (settings.clip_low, settings.clip_high)
    shaped = [_mask_words(mask) for mask in masks]
    found = []
    for colour in range(len(resampled[0].planes)):
        still = None if stills is None else stills[colour]
        layers = layers_of(resampled, colour, settings, masks, grid, still)
        # Everything that shapes the stack stands in its key, or an older one would be taken for it.
        names = [layer.plane.path.name for layer in layers]
        levels = [[layer.level.factor, *layer.level.plane.tolist()] for layer in layers]
        known = None if still is None else hashlib.sha256(still.tobytes()).hexdigest()
        key = digest(names, levels, shaped, known, *clip, settings.weights)
        make = partial(stack, layers, grid.shape, clip=clip, **more)
        found.append(parts.record(kind, key, Stack, make, partial(_fits, tuple(grid.shape))))
    return found


def _fits(shape, found) -> bool:
    """Whether a stack from the disk is what this grid asks for."""
    planes = (found.data, np.float32), (found.noise, np.float32), (found.count, np.int16)
    return isinstance(found.rejected, float) and all(
        isinstance(plane, np.ndarray) and (plane.shape, plane.dtype) == (shape, kind)
        for plane, kind in planes
    )


def _mask_words(mask):
    if isinstance(mask, TrailMask):
        return [np.round(mask.trail, 6).tolist(), round(mask.radius, 6)]
    return [mask.shift, int(mask.stars.sum())]


def base_stacks(night, resampled: list[ResampledFrame], settings, parts, **more) -> list[Stack]:
    """The still sky: the body is masked along its trail, and what else is in one frame only is clipped."""
    fwhm, shape = night.fwhm, night.grid.shape
    radii = [body_radius(max(peak, 3.0), fwhm) for peak in body_peaks(resampled, fwhm)]
    masks = [TrailMask(frame.trail, r, shape) for frame, r in zip(resampled, radii, strict=True)]
    # One frame without the body is enough: noisier there, but clean.
    return stack_all(resampled, settings, masks, night.grid, parts, "base", free=0.0, **more)


def tracked_stacks(night, resampled: list[ResampledFrame], light, settings, parts, **more) -> list[Stack]:
    """The body at rest: stars of the base are masked where they pass, and the rest is clipped."""
    mean = light[0] if len(light) == 1 else light.mean(axis=0)
    sigma = float(np.median([frame.levels[0].sigma for frame in resampled]))
    stars = star_pixels(mean, sigma, night.fwhm)
    masks = [StarMask(stars, frame.shift) for frame in resampled]
    stills = [still_mesh(plane, stars) for plane in light]
    return stack_all(resampled, settings, masks, night.grid, parts, "body", stills=stills, **more)
