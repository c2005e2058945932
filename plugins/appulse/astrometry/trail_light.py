"""Light of a satellite's trail or a straight filament near a place: known from its own length, and taken off.

A trail looks alike all along: what stands in the same distance from its middle ahead and behind says how
bright it is here, the body's own surroundings left out::

        . . . .|=|. . . . .       = pixels along the line
        . . . .| |. . . . .
        . . . .|o|. . . . .       o the place: nothing near it takes part
        . . . .| |. . . . .
        . . . .|=|. . . . .       profile across: cubic splines that change slowly along, and a level

The colours of a mosaic share one profile, each with its own strength. What the model misses is measured on
the same pixels: a satellite that flashes leaves more behind than one that does not.
"""

from typing import NamedTuple

import numpy as np
from scipy import ndimage

from appulse.constants import FWHM_PER_SIGMA
from appulse.numerics import mad_sigma
from appulse.registration import TrailLine, trail_reach

WINDOW_FWHM, LEAST_WINDOW = 12.0, 24.0
"""Length along the trail within which it may change: FWHM, and px."""
TURN_DEG = 8.0
"""A filament bends: near the place its direction may be so far from that of the whole line."""
LEAST_ERROR = 0.005
"""Share of a trail's light that no model is better than."""
KNOTS = 0.7
"""Spacing of the profile's splines in widths of the star image: they miss a thousandth of a Gaussian."""
CLEAR = 4.0
"""A profile that stands out by less than so many sigmas, more than its freedom gives by chance, is none."""
ROUNDS, CLIP = 4, 4.0
LEAST_PIXELS = 150


class TrailLight(NamedTuple):
    """What trails give in the pixels of a box, stored units, their directions there, and what is missed."""

    light: np.ndarray
    lines: tuple[TrailLine, ...]
    error: float  # share of their light in a pixel


def trail_light(
    pixels, good, lines, psf_sigma: float, x0: int, y0: int, place, apart: float, colour, variance,
    gain: float,
) -> TrailLight:  # fmt: skip
    """Light of some lines in a box whose lower corner is pixel (x0, y0), modelled about a place of it.

    Within `apart` px of the place no pixel takes part; `psf_sigma` is the width of the star image, px.
    """
    total, found, error = np.zeros(pixels.shape), [], LEAST_ERROR
    rows, columns = np.indices(pixels.shape)
    rows, columns = rows + y0, columns + x0
    fwhm = FWHM_PER_SIGMA * psf_sigma
    reach = trail_reach(fwhm)
    use = good & (np.hypot(columns - place[0], rows - place[1]) > apart)
    for line in lines:
        if abs(line.across(*place)) > reach + np.hypot(*pixels.shape) / 2:
            continue
        window = max(WINDOW_FWHM * fwhm, LEAST_WINDOW) + apart
        line = _turned(pixels - total, use, line, columns, rows, place, reach, window)
        part = _Profile(line, psf_sigma, reach, window, columns, rows, colour)
        if part.fit(pixels - total, use, variance + np.maximum(total, 0.0) / gain, gain):
            total, found = total + part.light, [*found, part.line]
            error = max(error, part.error)
    return TrailLight(total, tuple(found), error)


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


class _Profile:
    """Profile of one line: splines across times hats along, each colour with its strength, on a level."""

    def __init__(self, line, psf_sigma, reach, window, columns, rows, colour):
        self.line, self.columns, self.rows, self.colour = line, columns, rows, colour
        self.radius = reach + 1.2 * psf_sigma
        self.outer = 2.0 * reach + FWHM_PER_SIGMA * psf_sigma
        # A pixel's own square widens the profile by 1/12 px^2.
        self.step = KNOTS * float(np.sqrt(psf_sigma**2 + 1 / 12))
        n = max(int(np.ceil(2 * self.radius / self.step)), 6)
        self.middles = (np.arange(2, n - 1) - n / 2) * self.step
        self.window = window
        self.strength = np.ones(int(colour.max()) + 1)
        self.light, self.error = np.zeros(columns.shape), LEAST_ERROR

    def _places(self):
        return self.line.across(self.columns, self.rows), self.line.along(self.columns, self.rows)

    def _splines(self, across):
        """Values and slopes of the cubic splines at distances from the line, (n, splines) each."""
        u = (across[:, None] - self.middles) / self.step
        a = np.abs(u)
        near, far = a < 1, (a >= 1) & (a < 2)
        value = np.where(near, 2 / 3 - a**2 + a**3 / 2, np.where(far, (2 - a) ** 3 / 6, 0.0))
        slope = np.where(near, -2 * a + 1.5 * a**2, np.where(far, -0.5 * (2 - a) ** 2, 0.0))
        return value, slope * np.sign(u) / self.step

    def _hats(self, along):
        if len(self.nodes) == 1:
            return np.ones((len(along), 1))
        apart = self.nodes[1] - self.nodes[0]
        along = np.clip(along, *self.nodes[[0, -1]])
        return np.maximum(0.0, 1.0 - np.abs(along[:, None] - self.nodes) / apart)

    def fit(self, pixels, good, variance, gain) -> bool:
        """Fit to the pixels; False where there is no line to be seen."""
        across, along = self._places()
        near = good & (np.abs(across) < self.outer)
        if near.sum() < LEAST_PIXELS:
            return False
        low, high = float(along[near].min()), float(along[near].max())
        self.nodes = np.linspace(low, high, max(1, round((high - low) / self.window)) + 1)
        value, noise2, colour = pixels[near], variance[near], self.colour[near]
        levels = np.eye(len(self.strength))[colour][:, 1:]
        keep, model = np.ones(len(value), bool), np.zeros(len(value))
        for count in range(ROUNDS):
            across, along = (part[near] for part in self._places())
            hats = self._hats(along)
            shape, slope = self._splines(across)
            surface = (shape[:, :, None] * hats[:, None, :]).reshape(len(value), -1)
            ground = np.column_stack([hats, hats * (across / self.outer)[:, None], levels])
            total2 = noise2 + np.maximum(model, 0.0) / gain + (0.0 if count else 0.1 * np.median(noise2))
            root = keep / np.sqrt(total2)
            design = np.column_stack([surface * self.strength[colour][:, None], ground])
            normal = (design * root[:, None] ** 2).T @ design
            normal.flat[:: len(normal) + 1] *= 1.0 + 1e-8
            normal.flat[:: len(normal) + 1] += 1e-12 * np.trace(normal)
            solution = np.linalg.solve(normal, design.T @ (root**2 * value))
            self.coefficients = solution[: surface.shape[1]]
            bare = surface @ self.coefficients
            level = ground @ solution[surface.shape[1] :]
            model = bare * self.strength[colour]
            rest = value - level - model
            keep = np.abs(rest) < CLIP * np.sqrt(total2) * max(mad_sigma(rest / np.sqrt(total2)), 1.0)
            # Each colour's strength, and by how much the line is turned and bent, from what is left.
            weight = keep / total2
            for c in range(len(self.strength)):
                of = weight * (colour == c)
                power = float(of @ bare**2)
                if len(self.strength) > 1 and power > 0:
                    self.strength[c] = max(float(of @ (bare * (value - level))) / power, 0.0)
            self._turn(slope, hats, along, rest, weight, colour)
        self._judge(value - level, model, rest, noise2, gain, keep, near)
        return self.is_clear

    def _turn(self, slope, hats, along, rest, weight, colour):
        """Turn the line to where the profile fits better."""
        steep = (slope[:, :, None] * hats[:, None, :]).reshape(len(rest), -1) @ self.coefficients
        steep = steep * self.strength[colour] * along
        power = float(weight @ steep**2)
        if power > 0:
            # across grows by -turn times along.
            turn = float(np.clip(-(weight @ (steep * rest)) / power, -0.02, 0.02))
            line = self.line
            dx, dy = line.dx - turn * line.dy, line.dy + turn * line.dx
            size = float(np.hypot(dx, dy))
            self.line = TrailLine(line.x, line.y, dx / size, dy / size)

    def _judge(self, seen, model, rest, noise2, gain, keep, near):
        """Whether the line is there, what of it is missed, and its light everywhere."""
        freedom = len(self.coefficients) / len(self.nodes)
        total2 = noise2 + np.maximum(model, 0.0) / gain
        along = self._places()[1][near]
        part = np.argmax(self._hats(along), axis=1)
        clear = []
        for k in range(len(self.nodes)):
            of = keep & (part == k)
            power = float(np.sum(model[of] ** 2 / total2[of]))
            stands = float(np.sum(model[of] * seen[of] / total2[of])) / np.sqrt(max(power, 1e-300))
            clear.append(stands > np.sqrt(freedom) + CLEAR)
        self.is_clear = bool(np.mean(clear) > 0.5)
        power = float(np.sum(keep * model**4 / total2**2))
        excess = float(np.sum(keep * (rest**2 - total2) * model**2 / total2**2)) / max(power, 1e-300)
        self.error = max(LEAST_ERROR, float(np.sqrt(max(excess, 0.0))))
        across, along = (part.ravel() for part in self._places())
        inside = np.abs(across) < self.radius
        surface = self._splines(across[inside])[0][:, :, None] * self._hats(along[inside])[:, None, :]
        light = np.zeros(across.shape)
        light[inside] = surface.reshape(len(surface), -1) @ self.coefficients
        self.light = light.reshape(self.columns.shape) * self.strength[self.colour]
