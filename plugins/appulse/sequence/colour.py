"""From light to picture: one asinh transfer for everything shown, and luminance over a colour base."""

from dataclasses import dataclass

import numpy as np
from skimage.color import lab2rgb, rgb2lab

from appulse.errors import FrameError, InputError
from appulse.registration import align, resample
from appulse.sequence.subframe import star_list

SAMPLE = 500_000
Q = 8.0
GLOW_LEVEL = 0.5
"""Where the brightest fiftieth of the sky without its stars lands between black (0) and white (1)."""
DARK_LEVEL = 0.07
"""Where the darkest fiftieth lands: not quite black."""
NOISE_LEVEL = 0.015
"""One sigma of the noise is shown at most so strongly: a flat field is not stretched until it boils."""
CELL = 8
STRIP_ROWS = 512


@dataclass(frozen=True)
class Transfer:
    """asinh transfer of Lupton et al. 2004 (PASP 116, 133), as normalised in astropy's LuptonAsinhStretch."""

    # ``f(x) = asinh(Q x / stretch) x 0.1 / asinh(0.1 Q)``, of the light above `black`, cut at 1.

    # One for each plane, stored units.
    black: tuple[float, ...]
    # Stored units; the light at which the transfer begins to bend.
    stretch: float
    q: float = Q

    def unclipped(self, light):
        """Values of light above black, not cut at 1."""
        return np.arcsinh(self.q * light / self.stretch) * (0.1 / np.arcsinh(0.1 * self.q))

    def apply(self, planes) -> np.ndarray:
        """Planes (c, ny, nx) as values from 0 to 1, float32; blank pixels are 0."""
        # A colour picture is stretched by its mean, and each plane multiplied alike: hues stay.
        planes = np.asarray(planes, dtype=np.float32)
        light = np.stack([np.maximum(p - np.float32(b), 0) for p, b in zip(planes, self.black, strict=True)])
        light = np.nan_to_num(light)
        if len(light) == 1:
            return np.clip(self.unclipped(light), 0.0, 1.0).astype(np.float32)
        mean = light.mean(axis=0)
        factor = np.where(mean > 0, self.unclipped(mean) / np.maximum(mean, 1e-12), 0.0)
        shown = light * factor
        # Where one plane would pass white all three come down together, so that a red star stays red.
        return (shown / np.maximum(shown.max(axis=0), 1.0)).astype(np.float32)


def transfer_for(planes, *, brightness=1.0) -> Transfer:
    """A transfer that fits a picture: its dark sky just above black, its nebulae in the middle tones."""
    if not (np.isfinite(brightness) and brightness > 0):
        raise InputError(f"brightness {brightness}: a number above 0 is needed")
    skies = [_sky_without_stars(plane) for plane in planes]
    dark = np.array([sky[0] for sky in skies])
    glow = float(np.mean([sky[1] - sky[0] for sky in skies]))
    noise = float(np.mean([sky[2] for sky in skies]))
    # black = dark - pedestal, with f(pedestal) = DARK_LEVEL and f(pedestal + glow) = GLOW_LEVEL.
    low, high = (float(np.sinh(level * np.arcsinh(0.1 * Q) / 0.1)) for level in (DARK_LEVEL, GLOW_LEVEL))
    stretch = Q * glow / (high - low)
    slope = 0.1 / np.arcsinh(0.1 * Q) * Q / np.hypot(1.0, low)
    stretch = max(stretch, slope * noise / NOISE_LEVEL) / brightness
    return Transfer(tuple(float(d) for d in dark - low * stretch / Q), stretch)


def _sky_without_stars(plane):
    """Levels of the darkest and the brightest fiftieth of the sky, and the noise of a pixel."""
    # The sky is that of cells of 8 x 8 pixels, each taken by its lower third: stars are passed over.
    ny, nx = (max(1, n // CELL) for n in plane.shape)
    step = max(1, int(np.sqrt(ny * nx / 40_000)))
    rows, columns = min(plane.shape[0], CELL), min(plane.shape[1], CELL)
    cells = np.array([
        plane[j * CELL : j * CELL + rows, i * CELL : i * CELL + columns].ravel()
        for j in range(0, ny, step)
        for i in range(0, nx, step)
    ])  # fmt: skip
    cells = cells[np.isfinite(cells).all(axis=1)]
    if len(cells) == 0:
        raise FrameError("no pixel of the picture is a finite number: there is nothing to show")
    low, middle = np.percentile(cells, [16, 50], axis=1)
    noise = float(np.median(middle - low))
    dark, glow = np.percentile(middle, [2, 98])
    return float(dark), float(glow), max(noise, 1e-9 * max(abs(float(dark)), 1.0))


def lrgb(luminance, colour, *, saturation=1.0) -> np.ndarray:
    """Luminance of one picture with another's colours: L* replaced, a* and b* kept (CIE Lab, D65)."""
    out = np.empty((3, *luminance.shape), dtype=np.float32)
    for first in range(0, luminance.shape[0], STRIP_ROWS):
        rows = slice(first, first + STRIP_ROWS)
        lab = rgb2lab(np.moveaxis(np.asarray(colour[:, rows], dtype=np.float32), 0, -1))
        grey = np.repeat(np.asarray(luminance[rows], dtype=np.float32)[..., None], 3, axis=-1)
        own = lab[..., 0].copy()
        lab[..., 0] = rgb2lab(grey)[..., 0]
        # Colour is seen against its own lightness: where the base is nearly black its hue is noise.
        trust = np.clip(own / 8.0, 0.0, 1.0) * saturation
        lab[..., 1:] *= trust[..., None]
        out[:, rows] = np.moveaxis(np.clip(_quiet_rgb(lab), 0.0, 1.0), -1, 0)
    return out


def _quiet_rgb(lab):
    """Lab to sRGB; colours outside the gamut are cut, which skimage says in a warning for every strip."""
    import warnings

    with warnings.catch_warnings():
        warnings.simplefilter("ignore", UserWarning)
        return lab2rgb(lab)


def neutral_balance(planes) -> np.ndarray:
    """Factors that make the mean colour of a picture's stars and nebulae neutral, shape (3,); green is 1."""
    # Common practice, no source: the brightest hundredth of the pixels, taken together, is taken as white.
    tops = []
    for plane in planes:
        flat = plane[np.isfinite(plane)][:: max(1, plane.size // SAMPLE)]
        tops.append(np.mean(flat[flat >= np.percentile(flat, 99)]) - np.median(flat))
    tops = np.maximum(np.array(tops, dtype=float), 1e-12)
    return tops[1] / tops


def colour_on_grid(frames, night, track, *, aligned=True, workers=1) -> tuple[np.ndarray | None, tuple]:
    """A colour base of another night or telescope on the night's grid, (3, ny, nx); and words on it."""
    planes, notes = [], []
    reference = night.reference
    for frame in frames:
        wcs = frame.wcs
        if aligned:
            found = align(wcs, frame.shape, star_list(frame), reference.alignment.wcs, reference.stars)
            notes += [f"{frame.name}: {words}" for words in found.notes]
            wcs = found.wcs
        sources = frame.colour if frame.is_colour else [frame.data]
        planes += [resample(plane, wcs, night.grid, workers=workers) for plane in sources]
        frame.release()
    colour = np.stack(planes)
    if not np.isfinite(colour).any(axis=(1, 2)).all():
        return None, (*notes, "the colour base does not overlap with the frames: the picture stays grey")
    x, y = np.clip(np.round(track).astype(int), 0, np.array(night.grid.shape)[::-1] - 1).T
    missing = ~np.isfinite(colour[:, y, x]).all(axis=0)
    if missing.any():
        n, of = int(missing.sum()), len(missing)
        notes.append(f"the colour base does not cover the body in {n} of {of} frames: grey there")
    return colour, tuple(notes)
