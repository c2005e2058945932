"""What is no light: hot and dead pixels, cosmic rays, bad columns, saturation, satellites; colour mosaics.

Nothing that came through the telescope is sharper than a point. Whatever lies on a frame (stars, galaxies,
nebulae: sums of points) obeys, pixel by pixel,

    z  <=  c(w) mean8(z)         z above the sky; mean8: mean of the eight neighbours; c(w): the largest
                                 ratio that a point of FWHM w can have (centred on its pixel)

so that a pixel beyond it, by its noise, is a fault of the sensor or a cosmic ray, and no star ever is::

        . . .                . o .
        . # .   no light     o O o   a point
        . . .                . o .
"""

from dataclasses import dataclass
from enum import IntFlag
from functools import cached_property, lru_cache
from typing import NamedTuple

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from scipy import ndimage
from scipy.special import ndtr

from appulse.constants import FWHM_PER_SIGMA
from appulse.numerics import MAD_TO_SIGMA, block_means, box_mean, lowest, mad_sigma

SHARPEST_FWHM = 1.2
"""px; no optics and no air give less (the Gaussian of a point well inside one pixel): where the stars are not
known yet."""
STAR_SHARE = 0.8
"""Part of the stars' FWHM down to which a point may be: their widths vary over the frame."""
RATIO_MARGIN = 1.25
"""A point on a rough background, or one whose core is sharper than a Gaussian's, may exceed c by so much."""
SHARP_SIGMAS = 5.0
LOCAL_SIDE, LOWEST_OF_NOISE = 7, 0.7
"""px; and by how many sigmas of the sky the lowest mean of nine pixels within it lies under the level."""
OTHER_COLOUR = 0.3
"""Least share of a point's light that a neighbour behind another filter of a mosaic gets."""
BAND_ROWS = 64
BLOOM = 7
"""px; least length of a run of full pixels along which charge ran."""
LINE_SIGMAS, LINE_SIDE, LINE_SAMPLES = 6.0, 5, 600
QUIET_LINE = 0.4
"""A column that scatters by less than this part of the others does not see the sky."""
TRAIL_PARTS, TRAIL_PRESENT, TRAIL_SIGMAS = 32, 0.6, 2.5
"""A satellite's trail crosses the whole frame: of so many pieces of the line this share must stand out
where stars and galaxies leave it to be seen; chance gives no third."""
ANGLES, VOTERS, CANDIDATES, SAMPLED_ROWS = 360, 4000, 4, 100


class Bad(IntFlag):
    """Why a pixel is not to be measured on."""

    SHARP = 1  # narrower than a point: hot, or a cosmic ray
    DEAD = 2
    LINE = 4  # bad column or row
    SATURATED = 8  # at the end of the scale, and where its charge ran
    TRAIL = 16  # a satellite's
    BLANK = 32  # no value


@lru_cache(maxsize=256)
def peak_ratio(fwhm: float, mosaic: bool = False) -> float:
    """Largest ratio of a pixel to the mean of its eight neighbours that a point of this FWHM can have."""
    edges = np.arange(-1.5, 2.0) * FWHM_PER_SIGMA / fwhm
    line = np.diff(ndtr(edges))
    image = np.outer(line, line)
    weights = np.ones((3, 3))
    weights[1, 1] = 0.0
    if mosaic:
        # The four nearest stand behind another filter whatever the pattern and the pixel.
        weights[0, 1] = weights[1, 0] = weights[1, 2] = weights[2, 1] = OTHER_COLOUR
    return float(8.0 * image[1, 1] / np.sum(weights * image))


@dataclass(frozen=True)
class BrightPixels:
    """The few pixels of a frame that stand out so far that they can be sharp, and the light about them."""

    above: np.ndarray  # (ny, nx) float32; light above the sky, 0 where there is no value
    local: np.ndarray  # the same above what it stands on there: the sky, or a nebula
    places: np.ndarray  # (n,) indices into the flattened frame
    sigma: np.ndarray  # (n,) scatter of the sky there

    @cached_property
    def _around(self) -> np.ndarray:
        """Mean light of the eight neighbours of each, bad ones among them."""
        light = self.local.ravel()
        total = np.zeros(len(self.places))
        for near in _neighbours(self.places, self.local.shape):
            total += light[near]
        return total / 8

    def sharp(self, fwhm: float, kinds, gain: float, mosaic: bool) -> np.ndarray:
        """Indices of those that no point of this FWHM explains; bad ones are no neighbours either."""
        ratio = RATIO_MARGIN * peak_ratio(round(float(max(fwhm, SHARPEST_FWHM)), 2), mosaic)
        flat, light = kinds.ravel(), self.local.ravel()
        # Only what the plain mean does not explain, or has a bad neighbour, is worth more than one number.
        ask = light[self.places] > ratio * np.maximum(self._around, 0.0)
        ask |= _beside(flat, self.places, kinds.shape)
        ask &= flat[self.places] == 0
        places, sigma2 = self.places[ask], np.square(self.sigma[ask], dtype=float)
        total, count = np.zeros(len(places)), np.zeros(len(places))
        for near in _neighbours(places, kinds.shape):
            usable = flat[near] == 0
            total += np.where(usable, light[near], 0.0)
            count += usable
        mean, value = np.maximum(total / np.maximum(count, 1), 0.0), light[places].astype(float)
        noise2 = sigma2 + value / gain + ratio**2 * (sigma2 + mean / gain) / np.maximum(count, 1)
        # With most neighbours unknown nothing is said.
        return places[(value > ratio * mean + SHARP_SIGMAS * np.sqrt(noise2)) & (count >= 4)]


def _beside(flat, places, shape) -> np.ndarray:
    """Which places have a bad pixel beside them, or are near an edge of the frame."""
    nx = shape[1]
    inner = np.clip(places, nx + 1, len(flat) - nx - 2)
    bad = inner != places
    bad |= (places % nx == 0) | (places % nx == nx - 1)
    for step in (-nx - 1, -nx, -nx + 1, -1, 1, nx - 1, nx, nx + 1):
        bad |= flat[inner + step] > 0
    return bad


def _neighbours(places, shape):
    """Indices of the eight pixels about each; over the edge a frame goes on as its mirror image."""
    # So a star cut by the edge keeps its neighbours.
    ny, nx = shape
    rows, columns = np.divmod(places, nx)
    for j in (-1, 0, 1):
        row = np.where((rows + j < 0) | (rows + j >= ny), rows - j, rows + j) * nx
        for i in (-1, 0, 1):
            if (j, i) != (0, 0):
                yield row + np.where((columns + i < 0) | (columns + i >= nx), columns - i, columns + i)


def bad_pixels(pixels, sky, *, gain=np.inf, saturation=None, mosaic=False, raw=None, rough=True):
    """Map of all pixels of a frame that are no light from the sky, as far as the frame itself shows them.

    Parameters
    ----------
    pixels : (ny, nx) float array
        Stored numbers, of a mosaic with its colours brought to one level; NaN where there is no value.
    sky : SkyMesh
        Level and scatter of the sky: anything with its ``rows``, ``least``, ``at`` and ``typical``.
    gain : float
        Electrons per stored unit.
    saturation : float, optional
        Stored number from which a pixel is saturated.
    mosaic : bool
    raw : (ny, nx) array, optional
        Stored numbers before any levelling, for the saturation.
    rough : bool
        Whether there may be a nebula, above which sharp pixels are looked for: it takes time.

    Returns
    -------
    kinds : (ny, nx) uint8 array
        Sum of :class:`Bad`; 0 where the pixel is good.
    bright : BrightPixels
        What :func:`sharper` looks at again.
    """
    kinds = np.zeros(pixels.shape, dtype=np.uint8)
    bright, low = _looked_at(pixels, sky, kinds, rough)
    # The stars are not known yet: :func:`sharper` goes on when they are.
    _mark_sharp(kinds, bright, SHARPEST_FWHM, gain, mosaic)
    if saturation is not None:
        kinds |= np.uint8(Bad.SATURATED) * saturated_pixels(pixels if raw is None else raw, saturation)
    kinds.ravel()[_dead(bright.above, *low, kinds)] |= np.uint8(Bad.DEAD)
    for axis in (0, 1):
        lines = _bad_lines(bright.above, sky.typical[1], kinds, axis)
        kinds[(slice(None), lines) if axis == 0 else lines] |= np.uint8(Bad.LINE)
    return kinds, bright


def _looked_at(pixels, sky, kinds, rough):
    """One look at all pixels, in bands that stay in the processor's cache: what is worth a closer one.

    Bright pixels; dark ones with the scatter there. `kinds` gets the blank ones.
    """
    ny, nx = pixels.shape
    bands = [(first, min(first + BAND_ROWS, ny)) for first in range(0, ny, BAND_ROWS)]
    above = np.empty(pixels.shape, np.float32)
    local = np.empty_like(above) if rough else above
    bright, low = [], []

    def level(first, last):
        part = np.subtract(pixels[first:last], sky.rows(first, last), out=above[first:last])
        # A sum is quick, and finite only where every number is.
        if not np.isfinite(part.sum()):
            blank = ~np.isfinite(part)
            part[blank] = 0.0
            kinds[first:last][blank] = Bad.BLANK

    def look(first, last):
        # The scatter itself is worked out for those only that exceed what is the least about them.
        least = np.float32(SHARP_SIGMAS) * sky.least(first, last, "sigma")
        out = local[first:last] > least, above[first:last] < -least
        for found, exceeds, light, sign in zip((bright, low), out, (local, above), (1, -1), strict=True):
            rows, columns = np.divmod(np.flatnonzero(exceeds), nx)
            sigma = sky.at(columns, rows + first, "sigma")
            far = sign * light[rows + first, columns] > SHARP_SIGMAS * sigma
            far &= kinds[first:last][rows, columns] == 0
            found.append(((rows[far] + first) * nx + columns[far], sigma[far]))

    for first, last in bands:
        level(first, last)
        if not rough:
            look(first, last)
    for first, last in bands if rough else ():
        np.subtract(above[first:last], _lowest(above, first, last), out=local[first:last])
        # The lowest of so many means of nine pixels lies below the level by chance.
        local[first:last] -= np.float32(LOWEST_OF_NOISE) * sky.rows(first, last, "sigma")
        look(first, last)
    bright, low = ([np.concatenate(column) for column in zip(*found, strict=True)] for found in (bright, low))
    return BrightPixels(above, local, *bright), low


def _lowest(above, first, last):
    """The level that all light within three pixels of rows first..last-1 stands on: a nebula's, the sky's."""
    # Whatever is left of a sum of points above its lowest level is held to the same ratio.
    reach = 1 + LOCAL_SIDE // 2
    rows = np.pad(np.arange(len(above)), reach, mode="reflect")[first : last + 2 * reach]
    values = box_mean(np.pad(above[rows], ((0, 0), (reach, reach)), mode="reflect"), 3)
    return lowest(values, LOCAL_SIDE)[reach:-reach, reach:-reach]


def _mark_sharp(kinds, bright: BrightPixels, fwhm, gain, mosaic) -> None:
    """Mark in a map what is sharper than points of this FWHM, px."""
    # What stood beside a hot pixel had a bright neighbour: it is looked at again without it.
    for _ in range(2):
        kinds.ravel()[bright.sharp(fwhm, kinds, gain, mosaic)] |= np.uint8(Bad.SHARP)


def sharper(kinds, bright: BrightPixels, fwhm, *, gain=np.inf, mosaic=False):
    """The map with what is sharper than stars of this FWHM, px; as it was where that is not known."""
    if fwhm is None or STAR_SHARE * fwhm <= SHARPEST_FWHM:
        return kinds
    found = kinds.copy()
    _mark_sharp(found, bright, STAR_SHARE * fwhm, gain, mosaic)
    return found


def saturated_pixels(raw, saturation: float):
    """Full pixels, their direct neighbours, and the columns and rows along which their charge ran."""
    with np.errstate(invalid="ignore"):
        full = raw >= saturation
    places = np.flatnonzero(full)
    if len(places) == 0:
        return full
    grown, (ny, nx) = full.copy(), full.shape
    for there, here in ((np.s_[1:], np.s_[:-1]), (np.s_[:-1], np.s_[1:])):
        grown[there] |= full[here]
        grown[:, there] |= full[:, here]
    # Blooming: a run of full pixels, one or two wide, is the end of a longer one that is not quite full.
    rows, columns = np.divmod(places, nx)
    for line, along, length in ((columns, rows, ny), (rows, columns, nx)):
        # One number more for each line: no run goes on from the end of one line to the next.
        order = np.sort(line * (length + 1) + along)
        ends = np.flatnonzero(np.diff(order, append=-1) != 1)
        starts = np.append(0, ends[:-1] + 1)
        long = ends - starts + 1 >= BLOOM
        for start, end in zip(order[starts[long]], order[ends[long]], strict=True):
            which, low = divmod(int(start), length + 1)
            run = slice(max(low - BLOOM // 2, 0), low + int(end - start) + BLOOM // 2 + 1)
            grown[(run, which) if along is rows else (which, run)] = True
    return grown


def _dead(above, places, sigma, kinds):
    """Of pixels far below the sky the indices of those that lie as far below all their neighbours."""
    bad = kinds.ravel()
    known = bad[places] == 0
    places, sigma, light = places[known], sigma[known], above.ravel()
    least = np.full(len(places), np.inf, np.float32)
    for near in _neighbours(places, above.shape):
        least = np.minimum(least, np.where(bad[near] > 0, np.float32(np.inf), light[near]))
    return places[light[places] < least - SHARP_SIGMAS * sigma]


def _bad_lines(above, typical: float, kinds, axis: int):
    """Columns (axis 0) or rows (1) that are brighter or darker than those beside them, or blind."""
    # An odd step meets both rows of a mosaic's pattern.
    step = max(1, above.shape[axis] // LINE_SAMPLES) | 1
    part = (slice(None, None, step), slice(None)) if axis == 0 else (slice(None), slice(None, None, step))
    values = np.where(kinds[part] > 0, np.float32(np.nan), above[part])
    # One line after the other: what is sorted lies side by side.
    values = np.ascontiguousarray(values.T if axis == 0 else values)
    n = values.shape[1]
    usable = np.isfinite(values).sum(axis=1) > max(8, 0.3 * n)
    if usable.sum() < 8 * LINE_SIDE:
        return np.zeros(len(values), bool)
    values[~usable] = 0.0
    middle, spread = _medians_of_known(values)
    # A galaxy's flank is bright too, but so is one side of it: a line stands out of both.
    padded = np.pad(middle, LINE_SIDE, mode="edge")
    medians = np.median(sliding_window_view(padded, LINE_SIDE), axis=1)
    sides = medians[: len(middle)], medians[LINE_SIDE + 1 :]
    off = middle - np.clip(middle, np.minimum(*sides), np.maximum(*sides))
    # A median errs by 1.25 sigma / sqrt(n), and so do the two beside it.
    scatter = np.maximum(MAD_TO_SIGMA * ndimage.median_filter(spread, LINE_SIDE, mode="nearest"), typical)
    lines = np.abs(off) > LINE_SIGMAS * 1.5 * scatter / np.sqrt(n)
    lines |= spread < QUIET_LINE * np.median(spread[usable])
    # A third of all lines is no fault of a few: the frame is made so.
    return lines & usable if lines.mean() < 0.3 else np.zeros_like(lines)


def _medians_of_known(values):
    """Median of the numbers of each row that are no NaN, and that of their distances from it."""
    row, count = np.arange(len(values)), np.isfinite(values).sum(axis=1)
    ordered = np.sort(values, axis=1)  # NaN last; numpy's own medians take three times as long
    middle = (ordered[row, (count - 1) // 2] + ordered[row, count // 2]) / 2
    # The half of them that is nearest to it stands side by side: where it begins is found by halving.
    half = (count + 1) // 2
    low, high = np.zeros(len(values), int), count - half
    while (low < high).any():
        at = (low + high) // 2
        later = middle - ordered[row, at] > ordered[row, np.minimum(at + half, count - 1)] - middle
        low, high = np.where(later & (low < high), at + 1, low), np.where(later, high, at)
    return middle, np.maximum(middle - ordered[row, low], ordered[row, low + half - 1] - middle)


class TrailLine(NamedTuple):
    """A straight line of light across a frame.

    Parameters
    ----------
    x, y : float
        A place on it, zero-based px.
    dx, dy : float
        Its direction, a unit vector.

    Examples
    --------
    >>> line = TrailLine(10.0, 5.0, 1.0, 0.0)
    >>> float(line.across(3.0, 7.0)), float(line.along(3.0, 7.0))
    (2.0, -7.0)
    """

    x: float
    y: float
    dx: float
    dy: float

    def across(self, x, y):
        """Signed distance of places from the line, px."""
        return (np.asarray(y) - self.y) * self.dx - (np.asarray(x) - self.x) * self.dy

    def along(self, x, y):
        """Distance of places along the line from its own place, px."""
        return (np.asarray(x) - self.x) * self.dx + (np.asarray(y) - self.y) * self.dy


def trail_reach(fwhm: float) -> float:
    """How far from its middle a trail is taken to give light.

    Parameters
    ----------
    fwhm : float
        Of the stars, px.

    Returns
    -------
    float
        px

    Examples
    --------
    >>> trail_reach(2.5)
    6.0
    """
    return 1.6 * fwhm + 2.0


def satellite_trails(above, sigma, fwhm: float, bad=None) -> tuple[np.ndarray, tuple[TrailLine, ...]]:
    """Straight lines of light that cross the whole frame.

    Parameters
    ----------
    above : (ny, nx) array
        Light above the sky.
    sigma : float
        Typical scatter of the sky.
    fwhm : float
        Of the stars, px: a trail is about as wide.
    bad : (ny, nx) bool array, optional

    Returns
    -------
    found : (ny, nx) bool array
        The pixels under them.
    lines : tuple of TrailLine

    Examples
    --------
    >>> rows, columns = np.mgrid[0:120, 0:150]
    >>> above = np.random.default_rng(1).normal(0.0, 2.0, (120, 150))
    >>> found, lines = satellite_trails(above + 40.0 * (np.abs(rows - 0.4 * columns) < 1.5), 2.0, 2.5)
    >>> len(lines), bool(found[20, 50])
    (1, True)
    """
    ny, nx = above.shape
    found, lines = np.zeros(above.shape, bool), []
    size = int(max(1, round(max(ny, nx) / 700), round(fwhm / 2)))
    small = _binned(above, size, bad)
    # Structure wider than a trail goes, and no star, however bright, digs a ring around itself.
    wide = 6 * max(1, round(fwhm / size)) + 1
    reach = 6.0 * max(mad_sigma(small[:: max(1, small.shape[0] // SAMPLED_ROWS)]), 0.5 * sigma / size)
    small = np.clip(small, -reach, reach)
    flat = small - ndimage.uniform_filter(small, wide, mode="nearest")
    noise = max(mad_sigma(flat[:: max(1, flat.shape[0] // SAMPLED_ROWS)]), 0.5 * sigma / size)
    y, x = np.nonzero(flat > 2.0 * noise)
    if len(y) > VOTERS:  # a sample of them votes
        keep = np.random.default_rng(len(y)).choice(len(y), VOTERS, replace=False)
        y, x = y[keep], x[keep]
    half = np.array([small.shape[1] - 1, small.shape[0] - 1]) / 2
    reach = int(np.ceil(np.hypot(*half))) + 2
    votes = np.zeros((ANGLES, 2 * reach + 1))
    for k in range(ANGLES):
        c, s = np.cos(np.pi * k / ANGLES), np.sin(np.pi * k / ANGLES)
        distance = np.rint((x - half[0]) * c + (y - half[1]) * s).astype(int) + reach
        votes[k] = np.bincount(distance, minlength=2 * reach + 1)
    for _ in range(CANDIDATES):
        k, distance = np.unravel_index(np.argmax(votes), votes.shape)
        line = _refined_line(flat, noise, np.pi * k / ANGLES, distance - reach, half, 2.0 * fwhm / size + 3.0)
        for turned in range(k - 6, k + 7):
            # Half a turn further the same line has the opposite distance.
            middle = distance if 0 <= turned < ANGLES else 2 * reach - distance
            votes[turned % ANGLES, max(0, middle - 4) : middle + 5] = 0.0
        if line is None:
            continue
        angle, distance = line
        c, s = np.cos(angle), np.sin(angle)
        middle = size * (half + distance * np.array([c, s])) + (size - 1) / 2
        lines.append(TrailLine(float(middle[0]), float(middle[1]), float(-s), float(c)))
        yy, xx = np.ogrid[0:ny, 0:nx]
        found |= np.abs(lines[-1].across(xx, yy)) < trail_reach(fwhm)
    return found, tuple(lines)


def _binned(image, size: int, bad):
    """Means of blocks of pixels; a bad one counts as sky."""
    if bad is None:
        return block_means(np.nan_to_num(image, nan=0.0), size)
    out, places = block_means(image, size), np.flatnonzero(bad)
    row, column = np.divmod(places, image.shape[1]) // np.int64(size) if len(places) else (places, places)
    inside = (row < out.shape[0]) & (column < out.shape[1])
    np.subtract.at(out, (row[inside], column[inside]), image.ravel()[places[inside]] / size**2)
    return out


def _refined_line(flat, noise, angle, distance, half, beside_px):
    """Angle and distance of the best line near a vote; None unless all of its length stands out."""
    turns, asides = np.mgrid[-6:7, -3:4]
    turns, asides = turns * np.pi / ANGLES / 6, 0.5 * asides
    angles, distances = angle + turns.ravel(), distance + asides.ravel()
    present, strength = _pieces(flat, noise, angles, distances, half)
    best = int(np.argmax(np.where(present == present.max(), strength, -np.inf)))
    if present[best] < TRAIL_PRESENT:
        return None
    # A straight edge (of a shadow, of a bad row) is no line: beside a line there is sky.
    sides = distances[best] + beside_px * np.array([-1.0, 1.0])
    beside, beside_strength = _pieces(flat, noise, np.repeat(angles[best], 2), sides, half)
    if np.any((beside >= 0.0) & (beside_strength > 0.5 * strength[best])):
        return None
    return angles[best], distances[best]


def _pieces(flat, noise, angles, distances, half):
    """Share of each line's pieces that stand out, and by how much; -1 for a line that cuts a corner only."""
    c, s = np.cos(angles)[:, None], np.sin(angles)[:, None]
    reach = np.hypot(*half) + 1
    along = np.arange(-reach, reach)
    x = np.rint(half[0] + distances[:, None] * c - along * s).astype(int)
    y = np.rint(half[1] + distances[:, None] * s + along * c).astype(int)
    inside = (x >= 0) & (x < flat.shape[1]) & (y >= 0) & (y < flat.shape[0])
    n, first = inside.sum(axis=1) // TRAIL_PARTS, np.argmax(inside, axis=1)
    share, strength = np.full(len(n), -1.0), np.full(len(n), -np.inf)
    # Lines with pieces of one length at a time; each lies on the frame in one run.
    for length in np.unique(n[n >= 3]):
        lines = np.flatnonzero(n == length)
        at = lines[:, None], first[lines, None] + np.arange(length * TRAIL_PARTS)
        values = flat[y[at], x[at]].reshape(len(lines), TRAIL_PARTS, length)
        out = np.median(values, axis=2) / (1.25 * noise / np.sqrt(length))
        share[lines], strength[lines] = np.mean(out > TRAIL_SIGMAS, axis=1), np.median(out, axis=1)
    return share, strength


@dataclass(frozen=True)
class Marked:
    """Where a map has one of some bits set, worked out for the part of the frame that is asked for."""

    kinds: np.ndarray
    bits: int

    def __getitem__(self, where) -> np.ndarray:
        """Of slices, or of arrays of rows and columns; bool."""
        return self.kinds[where] & np.uint8(self.bits) > 0

    def places(self) -> np.ndarray:
        """Indices into the flattened map, ascending."""
        some = np.flatnonzero(self.kinds > 0)  # few have any bit
        return some[self.kinds.ravel()[some] & np.uint8(self.bits) > 0]


# --- colour mosaics


def mosaic_colours(pattern: str | None, shape) -> np.ndarray | None:
    """Colour of each pixel, 0 red, 1 green, 2 blue, int8; None for a mono frame.

    `pattern` is by rows from pixel (0, 0), e.g. ``RGGB``; digits stand for colours of their own.
    """
    if not pattern:
        return None
    colours = np.empty(shape, dtype=np.int8)
    for k, letter in enumerate(pattern):
        colours[k // 2 :: 2, k % 2 :: 2] = int(letter) if letter.isdigit() else "RGB".index(letter)
    return colours


@dataclass(frozen=True)
class Mended:
    """What is put in the place of pixels that are no light: the frame itself stays as it is.

    Parameters
    ----------
    shape : (int, int)
        Of the frame.
    places : (n,) int array
        Indices into the flattened frame, ascending.
    values : (n,) float32 array
    """

    shape: tuple[int, int]
    places: np.ndarray
    values: np.ndarray

    @classmethod
    def of(cls, pixels, bad, sky) -> "Mended":
        """The mean of the good pixels about each bad one, else the sky, a function of x, y."""
        ny, nx = pixels.shape
        places = bad.places() if isinstance(bad, Marked) else np.flatnonzero(bad)
        values, left = np.empty(len(places), np.float32), np.arange(len(places))
        for reach in (1, 2):
            rows, columns = np.divmod(places[left], nx)
            total, count = np.zeros(len(rows)), np.zeros(len(rows))
            for j in range(-reach, reach + 1):
                for i in range(-reach, reach + 1):
                    row, column = np.clip(rows + j, 0, ny - 1), np.clip(columns + i, 0, nx - 1)
                    good = ~bad[row, column]
                    total += np.where(good, pixels[row, column], 0.0)
                    count += good
            known = count >= (2 if reach == 1 else 1)
            values[left[known]] = total[known] / count[known]
            left = left[~known]
            if len(left) == 0:
                return cls(pixels.shape, places, values)
        rows, columns = np.divmod(places[left], nx)
        values[left] = sky(columns, rows)
        return cls(pixels.shape, places, values)

    def put_into(self, values, rows: slice):
        """A copy of some rows of the frame with the mended pixels in it."""
        nx = self.shape[1]
        some = slice(*np.searchsorted(self.places, [rows.start * nx, rows.stop * nx]))
        values = np.array(values, dtype=np.float32)
        values.ravel()[self.places[some] - rows.start * nx] = self.values[some]
        return values

    def put_in(self, values, rows, columns):
        """Pixels of a frame at rows and columns, the mended ones put in."""
        if len(self.places) == 0:
            return values
        index = rows * self.shape[1] + columns
        at = np.minimum(np.searchsorted(self.places, index), len(self.places) - 1)
        return np.where(self.places[at] == index, self.values[at], values)


def filled(pixels, bad, sky):
    """Pixels with the bad ones mended: a whole frame."""
    out, mended = np.array(pixels, dtype=np.float32), Mended.of(pixels, bad, sky)
    out.ravel()[mended.places] = mended.values
    return out
