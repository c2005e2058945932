"""The two stacks of a night: the still sky without the body, the body at rest without the stars."""

from dataclasses import replace

import numpy as np
from scipy import ndimage

from appulse.astrometry.sky_level import sky_map
from appulse.sequence.composite import body_radius
from appulse.sequence.following import body_peaks
from appulse.sequence.parts import digest
from appulse.sequence.places import TrailMask
from appulse.sequence.stack import Layer, stack

STAR_SIGMAS = 2.5
"""Light of the base above its sky, in sigmas of a frame, from which the tracked stack leaves a pixel out."""

NEBULA_SHARE = 0.25


class StarMask:
    """Stars of the base as they lie on the body's grid in one frame.

    Parameters
    ----------
    stars : (ny, nx) bool array
        On the star grid.
    shift : (float, float)
        The body grid's pixel (x, y) shows the star grid's (x, y) + shift.
    """

    def __init__(self, stars, shift):
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


def layers_of(laid, colour, settings, masks) -> list:
    """Layers of one plane for the stack."""
    found = []
    for one, mask in zip(laid, masks, strict=True):
        level = one.levels[colour]
        weight = 1.0 / level.white**2 if settings.weights == "noise" else 1.0
        found.append(Layer(one.planes[colour], level, weight, one.shot.gain / level.factor, mask))
    # Weights near one keep float32 sums exact.
    top = max(layer.weight for layer in found)
    return [replace(layer, weight=layer.weight / top) for layer in found]


def stack_all(laid, settings, masks, shape, parts, kind, *, free=0.25, workers=1, progress=None) -> list:
    """One stack for each plane.

    Returns
    -------
    list of Stack
    """
    found = []
    for colour in range(len(laid[0].planes)):
        layers = layers_of(laid, colour, settings, masks)
        names = [one.planes[colour].path.name for one in laid]
        levels = [[one.levels[colour].factor, *one.levels[colour].plane.tolist()] for one in laid]
        shaped = [_mask_words(mask) for mask in masks]
        key = digest(names, levels, shaped, settings.clip_low, settings.clip_high, settings.weights)

        def make(layers=layers):
            return stack(
                layers,
                shape,
                clip=(settings.clip_low, settings.clip_high),
                free=free,
                workers=workers,
                progress=progress,
            )

        found.append(parts.thing(kind, key, make))
    return found


def _mask_words(mask):
    if isinstance(mask, TrailMask):
        return [np.round(mask.trail, 6).tolist(), round(mask.radius, 6)]
    if isinstance(mask, StarMask):
        return [mask.shift, int(mask.stars.sum())]
    return None


def base_stacks(night, laid, settings, parts, **more) -> list:
    """The still sky: the body is masked along its trail, and what else is in one frame only is clipped."""
    fwhm = night.fwhm
    peaks = body_peaks(laid, fwhm)
    masks = [
        TrailMask(one.trail, body_radius(max(peak, 3.0), fwhm), night.grid.shape)
        for one, peak in zip(laid, peaks, strict=True)
    ]
    # One frame without the body is enough: noisier there, but clean.
    return stack_all(laid, settings, masks, night.grid.shape, parts, "base", free=0.0, **more)


def tracked_stacks(night, laid, base, settings, parts, **more) -> list:
    """The body at rest: stars of the base are masked where they pass, and the rest is clipped."""
    light = np.nanmean([one.data for one in base], axis=0) if len(base) > 1 else base[0].data
    stars = star_pixels(light, float(np.median([one.levels[0].sigma for one in laid])))
    masks = [StarMask(stars, one.shift) for one in laid]
    return stack_all(laid, settings, masks, night.grid.shape, parts, "body", **more)


def star_pixels(light, sigma) -> np.ndarray:
    """Pixels of a base in which a star shows in a single frame, and their neighbours; bool array."""
    sky = sky_map(light, box=16)
    level = sky.typical[0]
    stars = np.zeros(light.shape, dtype=bool)
    for first in range(0, light.shape[0], 512):
        last = min(first + 512, light.shape[0])
        around = sky.rows(first, last)
        # A nebula has structure of its own in proportion to its light: no star for that.
        limit = STAR_SIGMAS * sigma + NEBULA_SHARE * np.maximum(around - level, 0.0)
        with np.errstate(invalid="ignore"):
            stars[first:last] = light[first:last] - around > limit
    return ndimage.binary_dilation(stars, iterations=1)
