"""The two stacks of a night: the still sky without the body, the body at rest without the stars."""

import hashlib
from dataclasses import replace

import numpy as np

from appulse.frames.wcs import pixel_to_sky
from appulse.sequence.borders import Feather, StillSky, still_mesh
from appulse.sequence.composite import body_radius
from appulse.sequence.following import body_peaks
from appulse.sequence.parts import digest
from appulse.sequence.places import TrailMask
from appulse.sequence.stack import Layer, stack
from appulse.sequence.star_mask import StarMask, star_pixels


def layers_of(laid, colour, settings, masks, grid, still=None) -> list:
    """Layers of one plane for the stack; `still` is the mesh of the still sky under a body at rest."""
    found = []
    for one, mask in zip(laid, masks, strict=True):
        ny, nx = one.shot.frame.shape
        corners = np.array([[0, 0], [nx - 1, 0], [nx - 1, ny - 1], [0, ny - 1]], dtype=float)
        on_grid = grid.to_pixel(*pixel_to_sky(one.shot.alignment.wcs, *corners.T))
        share = Feather(np.stack(on_grid, axis=1), one.shift, grid.shape[1])
        local = None if still is None else StillSky(still, one.shift, grid.shape[1])
        level = one.levels[colour]
        weight = 1.0 / level.white**2 if settings.weights == "noise" else 1.0
        gain = one.shot.gain / level.factor
        found.append(Layer(one.planes[colour], level, weight, gain, mask, local, share))
    # Weights near one keep float32 sums exact.
    top = max(layer.weight for layer in found)
    return [replace(layer, weight=layer.weight / top) for layer in found]


def stack_all(
    laid, settings, masks, grid, parts, kind, *, stills=None, free=0.25, workers=1, progress=None
) -> list:
    """One stack for each plane.

    Returns
    -------
    list of Stack
    """
    shape = grid.shape
    found = []
    for colour in range(len(laid[0].planes)):
        still = None if stills is None else stills[colour]
        layers = layers_of(laid, colour, settings, masks, grid, still)
        names = [one.planes[colour].path.name for one in laid]
        levels = [[one.levels[colour].factor, *one.levels[colour].plane.tolist()] for one in laid]
        shaped = [_mask_words(mask) for mask in masks]
        known = None if still is None else hashlib.sha256(still.tobytes()).hexdigest()
        key = digest(names, levels, shaped, known, settings.clip_low, settings.clip_high, settings.weights)

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
    return stack_all(laid, settings, masks, night.grid, parts, "base", free=0.0, **more)


def tracked_stacks(night, laid, light, settings, parts, **more) -> list:
    """The body at rest: stars of the base are masked where they pass, and the rest is clipped.

    Parameters
    ----------
    night : Night
    laid : list of Laid
        On the body's grid.
    light : (c, ny, nx) array
        The base.
    settings : Settings
    parts : Parts
    """
    mean = light[0] if len(light) == 1 else light.mean(axis=0)
    stars = star_pixels(mean, float(np.median([one.levels[0].sigma for one in laid])), night.fwhm)
    masks = [StarMask(stars, one.shift) for one in laid]
    stills = [still_mesh(plane, stars) for plane in light]
    return stack_all(laid, settings, masks, night.grid, parts, "body", stills=stills, **more)
