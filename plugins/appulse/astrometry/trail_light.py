"""Light of a satellite's trail or a straight filament near a place: known from its own length, and taken off.

A trail looks alike all along: what stands in the same distance from its middle a few star widths ahead and
behind says how bright it is here, the body's own few pixels clipped away::

        . . . .|=|. . . . .       = pixels of a window along the line
        . . . .|=|. . . . .       o the body: it fills a small part of the window
        . . . .|o|. . . . .
        . . . .|=|. . . . .       profile across: medians of the window, less the level on both sides
"""

from typing import NamedTuple

import numpy as np
from scipy import ndimage

from appulse.numerics import mad_sigma
from appulse.registration import TrailLine, trail_reach

WINDOW_FWHM, LEAST_WINDOW = 12.0, 24.0
"""Length along the trail that a profile is made of: a body fills a fifth of it. FWHM, and px."""
BIN_PX = 0.5
TURN_DEG = 8.0
"""A filament bends: near the place its direction may be so far from that of the whole line."""
LEAST_ERROR = 0.005
CLEAR = 4.0
"""A profile whose peak is below so many of its own sigmas is none."""


class TrailLight(NamedTuple):
    """What trails give in the pixels of a box, stored units, and their directions there."""

    light: np.ndarray
    lines: tuple[TrailLine, ...]


def trail_light(
    pixels, good, lines, fwhm: float, x0: int, y0: int, place, colour, n_colours: int
) -> TrailLight:
    """Light of some lines in a box whose lower corner is pixel (x0, y0), modelled about a place of it."""
    total, found = np.zeros(pixels.shape), []
    rows, columns = np.indices(pixels.shape)
    rows, columns = rows + y0, columns + x0
    reach, window = trail_reach(fwhm), max(WINDOW_FWHM * fwhm, LEAST_WINDOW)
    for line in lines:
        if abs(line.across(*place)) > reach + np.hypot(*pixels.shape) / 2:
            continue
        line = _turned(pixels - total, good, line, columns, rows, place, reach, window)
        light = np.zeros(pixels.shape)
        clear = False
        for c in range(n_colours):
            use = good & (colour == c)
            part, is_clear = _light(pixels - total, use, line, columns, rows, reach, window, fwhm, n_colours)
            light[colour == c] = part[colour == c]
            clear |= is_clear
        if clear:
            total, found = total + light, [*found, line]
    return TrailLight(total, tuple(found))


def model_error(sigma: float, n_colours: int) -> float:
    """Share of a trail's light that a profile in bins leaves behind, for a star image of this width, px."""
    # Between the middles of two bins a curve leaves its chord by h^2 / 8 of its bend.
    return LEAST_ERROR + BIN_PX**2 * n_colours / 8.0 / sigma**2


def _turned(pixels, good, line, columns, rows, place, reach, window) -> TrailLine:
    """The line through its nearest point to a place, turned to where its profile there is sharpest."""
    s = float(line.along(*place))
    x, y = line.x + s * line.dx, line.y + s * line.dy
    result, angle = line, np.degrees(np.arctan2(line.dy, line.dx))
    for turns in (np.arange(-TURN_DEG, TURN_DEG + 1.0), np.arange(-0.8, 0.9, 0.2)):
        best, middle = -np.inf, angle
        for turn in np.radians(middle + turns):
            tried = TrailLine(x, y, float(np.cos(turn)), float(np.sin(turn)))
            across, along = tried.across(columns, rows), tried.along(columns, rows)
            use = good & (np.abs(across) < 2.0 * reach) & (np.abs(along) < window)
            if use.sum() < 50:
                return line
            bins = np.rint(across[use] + 2.0 * reach).astype(int)
            # A median over the length: neither star nor body turns the line.
            sharpness = float(np.nanvar(ndimage.median(pixels[use], bins, np.arange(bins.max() + 1))))
            if sharpness > best:
                best, result, angle = sharpness, tried, np.degrees(turn)
    return result


def _light(pixels, use, line, columns, rows, reach, window, fwhm, n_colours):
    """Light of one line in all pixels of a box, and whether it stands out."""
    across, along = line.across(columns, rows), line.along(columns, rows)
    outer = 2.0 * reach + fwhm
    width = BIN_PX * np.sqrt(n_colours)
    near = use & (np.abs(across) < outer)
    light = np.zeros(pixels.shape)
    if near.sum() < 100:
        return light, False
    n = int(np.ceil(2 * outer / width))
    low, high = float(along[near].min()), float(along[near].max())
    nodes = np.linspace(low, high, max(2, int((high - low) / (0.25 * window)) + 1))
    a, s, v = across[near], along[near], pixels[near]
    bins = np.clip(((a + outer) / width).astype(int), 0, n - 1)
    middles = (np.arange(n) + 0.5) * width - outer
    side = np.abs(middles) > reach + 0.5 * fwhm
    grid, clear = np.zeros((len(nodes), n)), []
    for k, node in enumerate(nodes):
        here = np.abs(s - node) < 0.5 * window
        profile, sigma = _profile(v[here], bins[here], n)
        # The level beside it, which may slope.
        known = side & np.isfinite(profile)
        if known.sum() < 4:
            continue
        level = np.polynomial.polynomial.polyfit(middles[known], profile[known], 1)
        profile = profile - np.polynomial.polynomial.polyval(middles, level)
        grid[k] = np.where(np.abs(middles) < reach + 0.5 * fwhm, np.nan_to_num(profile), 0.0)
        clear.append(np.max(ndimage.uniform_filter1d(grid[k], 3)) > CLEAR * sigma / np.sqrt(3.0))
    at = np.stack([
        np.interp(along, nodes, np.arange(len(nodes))), np.clip((across + outer) / width - 0.5, 0, n - 1),
    ])  # fmt: skip
    light = ndimage.map_coordinates(grid, at, order=1, mode="nearest")
    light[np.abs(across) > reach + 0.5 * fwhm] = 0.0
    return light, bool(np.mean(clear) > 0.5) if clear else False


def _profile(values, bins, n: int) -> tuple[np.ndarray, float]:
    """Medians of the values in each bin, the body and stars clipped away, and the error of one."""
    middle = np.full(n, np.nan)
    if len(values) < 3 * n / 2:
        return middle, np.inf
    index = np.arange(n)
    keep = np.ones(len(values), bool)
    scatter = 1.0
    for _ in range(2):
        count = np.bincount(bins[keep], minlength=n)
        middle = np.where(count >= 3, ndimage.median(values[keep], bins[keep], index), np.nan)
        rest = values - middle[bins]
        scatter = max(mad_sigma(rest[np.isfinite(rest) & keep]), 1e-9)
        keep = np.isfinite(rest) & (rest < 3.0 * scatter)
    count = np.bincount(bins[keep], minlength=n)
    sums = np.bincount(bins[keep], values[keep], minlength=n)
    mean = np.where(count >= 3, sums / np.maximum(count, 1), np.nan)
    typical = max(float(np.median(count)), 1.0)
    return mean, float(scatter / np.sqrt(typical))
