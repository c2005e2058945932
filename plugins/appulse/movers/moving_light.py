"""All frames together: is there light that moves along a line, how much, and along which line exactly?

What stands still at every place is unknown and free; what is left of frame k after that is R_k, the smoothed
frame minus the mean of all. A body of flux f at x_k in frame k leaves there::

    R_k(x_k) = f [A(0) - sum_j w_j A(x_k - x_j)]      A: image of a point on the smoothed frames
                          \\____ the part of the body that the mean holds: large for a slow one ____/

so the best f for a line is N/D and its squared signal to noise N^2/D, with N = sum R_k(x_k)/v_k and D the
same sum of the brackets. The line is the one that makes N^2/D largest; its covariance follows from the
curvature there (-2 ln L grows by N^2/D). Light that stands still, whatever its changes, makes N zero.
"""

from dataclasses import dataclass

import numpy as np
from scipy.interpolate import RectBivariateSpline
from scipy.optimize import minimize

from appulse.movers.difference import Differences, photon_factor
from appulse.movers.sightings import vertex

UNEVEN = 5.0
"""So many sigmas from the common brightness, and beyond these factors of it, a frame is at odds:"""
DIMMEST, BRIGHTEST = 0.4, 2.5
"""A body's brightness varies as it turns, by a magnitude either way at most."""
PEAK_PX, PEAK_STEP = 1.5, 0.25
"""Farther from the line a peak is another's, px; and the steps in which it is sought."""
REACH_PX = 3.0
"""How far the line may move from where the sightings put it, at its middle and at its ends."""


@dataclass(frozen=True)
class MovingLight:
    """A line with its light.

    Parameters
    ----------
    moved : (3, 2) array
        Best line minus the proposed one: place at the middle (grid px), speed (px/h), bend (px/h^2).
    covariance : (4, 4) array
        Of x, y, speed x, speed y; grid px and px/h.
    significance : float
        sqrt(N^2/D): signal to noise of all frames together.
    snr : (n,) array
        Signal to noise that the body has in each frame, the stars taken off, its own photons in the noise;
        NaN where it cannot be seen.
    seen : (n,) array
        The same of the light that each frame itself shows on the line.
    places : (n, 2) array
        Where each frame itself shows it, px of the grid, what the mean holds of the body put back; NaN where
        there is no peak on the line.
    peak : (n,) array
        Light of each frame at its place on the line, in the unit of the smoothed frames.
    at_odds : int
        Frames whose light is not that of the others.
    usable : int
        Frames that show the line's place.
    """

    moved: np.ndarray
    covariance: np.ndarray
    significance: float
    snr: np.ndarray
    seen: np.ndarray
    places: np.ndarray
    peak: np.ndarray
    at_odds: int
    usable: int


@dataclass(eq=False)
class _Windows:
    """R_k about the proposed place in each usable frame."""

    frames: np.ndarray
    places: np.ndarray
    hours: np.ndarray
    splines: list
    variances: list
    share: np.ndarray
    photons: np.ndarray
    width: float

    def at(self, p):
        """Places on the grid for shifts p of place, speed and bend, (n, 2)."""
        t = self.hours[:, None]
        return self.places + p[:2] + t * p[2:4] + 0.5 * t**2 * p[4:]

    def variance(self, p):
        """Of each frame alone, at places so shifted."""
        return np.exp([s.ev(y, x) for s, (x, y) in zip(self.variances, self.at(p), strict=True)])

    def score(self, p, variance):
        """N^2/D, flux in peaks, R_k and brackets for such shifts."""
        at = self.at(p)
        light = np.array([s.ev(y, x) for s, (x, y) in zip(self.splines, at, strict=True)])
        distance2 = np.sum((at[:, None] - at[None]) ** 2, axis=2)
        bracket = 1.0 - np.exp(-0.5 * distance2 / self.width**2) @ self.share
        # A line along which nothing moves has no bracket: no light can be told there.
        bracket = np.maximum(bracket, 1e-6)
        n, d = np.sum(light / variance), np.sum(bracket / variance)
        return np.sign(n) * n**2 / d, n / d, light, bracket

    def peaks(self, p, flux):
        """Place of the peak near the line in each frame, (n, 2); NaN where there is none."""
        at = self.at(p)
        steps = np.arange(-PEAK_PX, PEAK_PX + 0.01, PEAK_STEP)
        dx, dy = np.meshgrid(steps, steps)
        result = np.full(at.shape, np.nan)
        for k, (x, y) in enumerate(at):
            distance2 = (x + dx[..., None] - at[:, 0]) ** 2 + (y + dy[..., None] - at[:, 1]) ** 2
            held = flux * np.exp(-0.5 * distance2 / self.width**2) @ self.share
            light = self.splines[k].ev(y + dy, x + dx) + held
            j, i = np.unravel_index(np.argmax(light), light.shape)
            if 0 < j < len(steps) - 1 and 0 < i < len(steps) - 1:
                sub = (
                    vertex(light[j, i - 1], light[j, i], light[j, i + 1]),
                    vertex(light[j - 1, i], light[j, i], light[j + 1, i]),
                )
                result[k] = x + dx[j, i] + PEAK_STEP * sub[0], y + dy[j, i] + PEAK_STEP * sub[1]
        return result


def moving_light(found: Differences, places, hours, bend, bend_sigma: float) -> MovingLight | None:
    """Light along a proposed line.

    Parameters
    ----------
    found : Differences
    places : (n, 2) array
        x and y on the grid where the line is at each frame.
    hours : (n,) array
        Mid-exposures about the line's middle.
    bend : (2,) array
        That the proposed line has, px/h^2: a bend is known to be small.
    bend_sigma : float
        How small, px/h^2.

    Returns
    -------
    MovingLight or None
        None where fewer than three frames show the line's place.
    """
    windows = _windows(found, places, hours)
    if windows is None:
        return None
    span = max(np.ptp(windows.hours) / 2, 1e-9)
    scale = np.repeat([1.0, 1 / span, 2 / span**2], 2)

    def badness(q, variance):
        over = np.maximum(np.abs(q) - REACH_PX, 0.0)
        bent = (bend + q[4:] * scale[4:]) / bend_sigma
        score = windows.score(np.clip(q, -REACH_PX, REACH_PX) * scale, variance)[0]
        return -score + np.sum(bent**2) + 1e3 * np.sum(over**2)

    q, options = np.zeros(6), {"eps": 0.01, "gtol": 0.3, "maxiter": 40}
    for _ in range(2):
        # Held while the line is sought: a line is not to gain by leaving a star's noise.
        variance = windows.variance(q * scale)
        q = minimize(badness, q, (variance,), method="BFGS", options=options).x
        q = np.clip(q, -REACH_PX, REACH_PX)
    score, flux, light, bracket = windows.score(q * scale, variance)
    snr, seen, peak = np.full((3, len(places)), np.nan)
    where = np.full((len(places), 2), np.nan)
    noise = np.sqrt(variance + windows.photons * max(flux, 0.0))
    snr[windows.frames] = flux / noise
    # What the mean holds of the body is put back: the light of this frame alone.
    peak[windows.frames] = light + flux * (1.0 - bracket)
    seen[windows.frames] = peak[windows.frames] / noise
    where[windows.frames] = windows.peaks(q * scale, flux)
    covariance = _covariance(lambda p: badness(p, variance), q, scale)
    return MovingLight(
        (q * scale).reshape(3, 2), covariance[:4, :4], float(np.sqrt(max(score, 0.0))), snr, seen, where,
        peak, _at_odds(light, flux * bracket, variance), len(windows.frames),
    )  # fmt: skip


def _covariance(badness, q, scale):
    """From the curvature of N^2/D by differences of 0.2 px."""
    step, eye = 0.2, np.eye(len(q))
    curved = np.zeros(eye.shape)
    for i in range(len(q)):
        for j in range(i + 1):
            corners = [
                badness(q + step * (a * eye[i] + b * eye[j])) * a * b for a in (1, -1) for b in (1, -1)
            ]
            curved[i, j] = curved[j, i] = sum(corners) / (4 * step**2)
    values, vectors = np.linalg.eigh(0.5 * curved)
    inverse = (vectors / np.maximum(values, 1e-2)) @ vectors.T
    return inverse * np.outer(scale, scale)


def _at_odds(light, expected, variance) -> int:
    pull = (light - expected) / np.sqrt(variance)
    dim = (light < DIMMEST * expected) & (pull < -UNEVEN)
    bright = (light > BRIGHTEST * expected) & (pull > UNEVEN)
    return int(np.sum(dim | bright))


def _windows(found: Differences, places, hours) -> _Windows | None:
    half = int(np.ceil(2 * REACH_PX)) + 2
    usable, splines, variances, share = [], [], [], []
    for k, (x, y) in enumerate(places):
        window = found.window(k, x, y, half)
        if window is None:
            continue
        rows, columns, left, variance = window
        usable.append(k)
        splines.append(RectBivariateSpline(rows, columns, left))
        # The logarithm, or a star's edge would make a spline overshoot.
        variances.append(RectBivariateSpline(rows, columns, np.log(variance), kx=1, ky=1))
        share.append(found.weight[k])
    if len(usable) < 3:
        return None
    return _Windows(
        np.array(usable), np.asarray(places, float)[usable], np.asarray(hours, float)[usable], splines,
        variances, np.array(share) / np.sum(share),
        np.array([photon_factor(found.smoothed, k) for k in usable]), found.smoothed.width,
    )  # fmt: skip
