"""The body of every frame over the clean base, and how the picture is shown: one transfer for all pictures.

::

    frame on the grid --  minus base, minus local background --> what is new in this frame
                                                                     x  weight 0..1
                                                                     +  base   --> composite

The weight follows the expected image of the body: 1 in its core, falling to 0 where the body's light drops
below the frame's own noise. So a dot brings its own pixels, no disc of foreign noise around it, no seam; and
a star beside it, being in the base already, drops out of the difference.
"""

from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from appulse.constants import FWHM_PER_SIGMA
from appulse.errors import InputError
from appulse.sequence.body_places import distance_to_trail
from appulse.sequence.colour import Transfer, lrgb, neutral_balance, transfer_for

SEEN_SNR = 4.0
REACH_FWHM = 4.5
NOISE_SHARE = 0.7
"""The weight is s^2 / (s^2 + (this x noise)^2), s the body's expected light in the pixel."""
ASPECT = 1.5
STRIP_ROWS = 512


@dataclass
class Dot:
    """The body as one frame has it."""

    frame: str
    time: str
    # x, y: on the grid, px.
    x: float
    y: float
    # Of its light along the trail, its own photons counted among the noise: as `residuals` has it.
    snr: float = 0.0
    used: bool = False
    # Why it is not in the picture.
    reason: str = ""
    # x0, y0: corner of the patch.
    x0: int = 0
    y0: int = 0
    # (h, w) float32 array
    weight: np.ndarray | None = None
    # (c, h, w) float32 array; what the frame has more than the base there.
    light: np.ndarray | None = None

    @property
    def patch(self):
        """Slices of the grid."""
        h, w = self.weight.shape
        return slice(self.y0, self.y0 + h), slice(self.x0, self.x0 + w)


def trail_profile(x, y, trail, sigma):
    """Image of a point moved along a trail, peak 1: a Gaussian of the distance from the trail."""
    distance = distance_to_trail(x, y, trail)
    return np.exp(-0.5 * (distance / sigma) ** 2)


def take_dot(
    name, time, planes, base, place, trail, fwhm, noise, *, white=None, gain_e=np.inf
) -> Dot:  # fmt: skip
    """Take the body out of one frame.

    `noise` is a pixel's, `white` that by which pixels add up over a dot, `gain_e` electrons per unit.
    """
    dot = Dot(name, time, float(place[0]), float(place[1]))
    ny, nx = base.shape[-2:]
    reach = REACH_FWHM * fwhm
    low = np.floor(trail.min(axis=0) - reach).astype(int)
    high = np.ceil(trail.max(axis=0) + reach).astype(int) + 1
    x0, y0, x1, y1 = max(low[0], 0), max(low[1], 0), min(high[0], nx), min(high[1], ny)
    if x1 - x0 < 5 or y1 - y0 < 5 or not (0 <= place[0] < nx and 0 <= place[1] < ny):
        return replace(dot, reason="the body is off the picture")
    extra = np.stack([plane(x0, y0, x1, y1) for plane in planes]) - base[:, y0:y1, x0:x1]
    y, x = np.mgrid[y0:y1, x0:x1].astype(float)
    distance = distance_to_trail(x, y, trail)
    good = np.isfinite(extra).all(axis=0)
    rim = good & (distance > 0.6 * reach)
    if rim.sum() < 12 or good[distance < fwhm].mean() < 0.9:
        return replace(dot, reason="blank pixels where the body is")
    # A blank pixel says nothing: the fit passes over it, and the base shows there.
    extra = np.where(good, extra - np.median(extra[:, rim], axis=1)[:, None, None], 0.0)
    moved, profile, amplitude, snr = _recentred(extra.mean(axis=0), good, x, y, trail, fwhm, noise)
    # Whether it shows is a matter of the sky's noise; how well, of all noise.
    seen = snr >= SEEN_SNR
    snr = _with_its_photons(amplitude, profile, noise if white is None else white, gain_e)
    if not seen:
        why = f"the body does not show (signal to noise {max(snr, 0.0):.1f}, {SEEN_SNR:g} needed)"
        return replace(dot, snr=snr, reason=why)
    signal = amplitude * profile
    weight = signal**2 / (signal**2 + (NOISE_SHARE * noise) ** 2)
    # To nothing at the patch's edge, or it would show as a box.
    weight *= np.clip((reach - distance_to_trail(x, y, moved)) / fwhm, 0.0, 1.0)
    dx, dy = (float(v) for v in moved[0] - trail[0])
    return Dot(
        name, time, dot.x + dx, dot.y + dy, snr, used=True, x0=int(x0), y0=int(y0),
        weight=np.where(good, weight, 0.0).astype(np.float32), light=extra.astype(np.float32),
    )  # fmt: skip


def _with_its_photons(amplitude, profile, white, gain_e) -> float:
    """S/N of light of this profile: the sky's noise, and that of its own photons."""
    norm = float(np.sum(profile**2))
    own = max(amplitude, 0.0) / gain_e * float(np.sum(profile**3))
    return amplitude * norm / max(np.sqrt(white**2 * norm + own), 1e-12)


def _recentred(extra, good, x, y, trail, fwhm, noise):
    """Trail shifted to where the light is, by 1.5 FWHM at most: clock and orbit are not perfect."""
    best = None
    sigma = fwhm / FWHM_PER_SIGMA
    step = fwhm / 4
    shifts = [(i * step, j * step) for j in range(-6, 7) for i in range(-6, 7) if np.hypot(i, j) <= 6.01]
    # Nearest first: of two equal ones the prediction wins.
    for dx, dy in sorted(shifts, key=lambda s: np.hypot(*s)):
        moved = trail + np.array([dx, dy])
        profile = trail_profile(x, y, moved, sigma) * good
        norm = float(np.sum(profile**2))
        amplitude = float(np.sum(profile * extra)) / max(norm, 1e-12)
        snr = amplitude * np.sqrt(norm) / max(noise, 1e-12)
        if best is None or snr > best[3] * (1 + 1e-9):
            best = moved, profile, amplitude, snr
    return best


def over_base(base, dots) -> np.ndarray:
    """A base with dots over it: light of two is not added, the brighter one shows."""
    laid = np.zeros_like(base)
    strength = np.zeros(base.shape[-2:], dtype=np.float32)
    for dot in dots:
        if dot.used:
            add_dot(dot, laid, strength)
    laid += base
    return laid


def add_dot(dot, laid, strength) -> None:
    """Add one dot to what is laid already, in place."""
    rows, columns = dot.patch
    own = dot.weight * dot.light
    brightness = own.mean(axis=0) + 1e-6 * dot.weight
    wins = brightness > strength[rows, columns]
    laid[:, rows, columns] = np.where(wins, own, laid[:, rows, columns])
    strength[rows, columns] = np.where(wins, brightness, strength[rows, columns])


def spaced(times_h, cadence_h) -> list[int]:
    """Indices of frames at least a cadence apart, the first included."""
    chosen: list[int] = []
    for index in np.argsort(times_h, kind="stable"):
        if not chosen or times_h[index] - times_h[chosen[-1]] >= cadence_h - 1e-9:
            chosen.append(int(index))
    return chosen


def body_radius(snr_peak, fwhm) -> float:
    """Radius around a trail within which a body's light counts: down to a tenth of the noise, px."""
    sigma = fwhm / FWHM_PER_SIGMA
    gaussian = sigma * np.sqrt(2 * np.log(max(10.0 * snr_peak, np.e)))
    # Real stars have wings that no Gaussian has, and the place is good to a fraction of a width.
    return float(1.25 * gaussian + 0.5 * fwhm)


@dataclass(frozen=True)
class Look:
    """How light becomes a picture."""

    # (x0, y0, x1, y1); part of the grid that is shown.
    box: tuple
    transfer: Transfer
    # (3, ny, nx) array or None; colour base on the grid, already from 0 to 1.
    colour: np.ndarray | None = None
    saturation: float = 1.0
    # (3,) array or None; factors of the frames' own colours; the stacks keep theirs.
    balance: np.ndarray | None = None

    def picture(self, planes, box=None, neutral=None) -> np.ndarray:
        """Values from 0 to 1 of light on the grid; (1 or 3, h, w)."""
        x0, y0, x1, y1 = box or self.box
        out = None
        # Strip by strip: a large picture in colour would be in memory six times over otherwise.
        for first in range(y0, y1, STRIP_ROWS):
            rows = slice(first, min(first + STRIP_ROWS, y1))
            share = None if neutral is None else neutral[rows, x0:x1]
            part = self.shown(planes[:, rows, x0:x1], (x0, rows.start, x1, rows.stop), share)
            if out is None:
                out = np.empty((len(part), y1 - y0, x1 - x0), dtype=np.float32)
            out[:, first - y0 : rows.stop - y0] = part
        return out

    def shown(self, light, box, neutral=None) -> np.ndarray:
        """As :meth:`picture`, of light and neutral that are cut to the box already."""
        x0, y0, x1, y1 = box
        if self.balance is not None:
            light = light * self.balance[:, None, None]
        values = self.transfer.apply(light)
        if self.colour is None or len(light) == 3:
            return values
        tint = self.colour[:, y0:y1, x0:x1]
        if neutral is not None:
            tint = tint * (1 - neutral) + tint.mean(axis=0, keepdims=True) * neutral
        return lrgb(values[0], tint, saturation=self.saturation)


def view_box(grid, track, view_arcmin) -> tuple:
    """Part of the grid to show: all of it, or a window of a given width around the body's path."""
    ny, nx = grid.shape
    if view_arcmin is None:
        return 0, 0, nx, ny
    width = min(round(view_arcmin * 60.0 / grid.pixel_scale), nx)
    height = min(round(width / ASPECT), ny)
    if width < 64 or height < 64:
        raise InputError(f"a view of {view_arcmin:g} arcmin is {width} x {height} px: at least 64 are needed")
    x, y = (np.nanmin(track, axis=0) + np.nanmax(track, axis=0)) / 2
    x0 = int(np.clip(round(x - width / 2), 0, nx - width))
    y0 = int(np.clip(round(y - height / 2), 0, ny - height))
    return x0, y0, x0 + width, y0 + height


def look_for(grid, base, track, settings, colour=None) -> Look:
    """Choose window and transfer."""
    box = view_box(grid, track, settings.view_arcmin)
    x0, y0, x1, y1 = box
    balance = None
    if len(base) == 3:
        # A camera's own colours are those of its filters: green is seen by twice as many pixels, and so on.
        balance = neutral_balance(base).astype(np.float32)
    factors = np.ones(len(base), dtype=np.float32) if balance is None else balance
    seen = (plane[y0:y1, x0:x1] * factor for plane, factor in zip(base, factors, strict=True))
    transfer = transfer_for(seen, brightness=settings.brightness)
    tint = None
    if colour is not None:
        balanced = colour * neutral_balance(colour)[:, None, None].astype(np.float32)
        tint = transfer_for(balanced[:, y0:y1, x0:x1], brightness=settings.brightness).apply(balanced)
    return Look(box, transfer, tint, settings.saturation, balance)


def chosen_dots(dots, settings) -> list:
    """Dots that the composite shows."""
    if settings.dots == "none":
        return []
    used = [dot for dot in dots if dot.used]
    if settings.dots == "line" or not used or settings.cadence_h <= 0:
        return used
    hours = hours_of([dot.time for dot in used])
    return [used[i] for i in sorted(spaced(hours, settings.cadence_h))]


def hours_of(times) -> np.ndarray:
    """Hours after the first of UTC times in ISO form."""
    from astropy.time import Time

    jd = Time(list(times), scale="utc")
    return (jd - jd.min()).to_value("h")


def neutral_of(dots, shape) -> np.ndarray:
    """Share of a body's own light in each pixel, 0 to 1."""
    out = np.zeros(shape, dtype=np.float32)
    for dot in dots:
        out[dot.patch] = np.maximum(out[dot.patch], dot.weight)
    return out


def composite(base, dots, look) -> np.ndarray:
    """The picture: values from 0 to 1, (1 or 3, h, w)."""
    return look.picture(over_base(base, dots), neutral=neutral_of(dots, base.shape[-2:]))


def dots_of(night, resampled, base) -> list[Dot]:
    """The body as every kept frame has it."""
    if len(resampled) == 1:
        # Its base is the frame itself: there is nothing to take the body out with.
        place, (x, y) = resampled[0].subframe.place, resampled[0].place
        name = resampled[0].subframe.frame.name
        reason = "a single frame: the body stays in the base"
        return [Dot(name, place.time, float(x), float(y), reason=reason)]
    found = []
    for frame in resampled:
        planes = [partial(frame.box, colour) for colour in range(len(frame.planes))]
        name, time = frame.subframe.frame.name, frame.subframe.place.time
        level, n = frame.levels[0], len(planes)
        found.append(take_dot(
            name, time, planes, base, frame.place, frame.trail, night.fwhm, level.sigma / np.sqrt(n),
            white=level.white / np.sqrt(n), gain_e=n * frame.subframe.photon_gain / level.factor,
        ))  # fmt: skip
    return found
