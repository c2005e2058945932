"""A comet without its stars, the stars without it, the two joined at one moment, and views of the coma.

::

    frames on the stars  --  less the comet as found  --> stack: stars alone --+
           ^                                                |                  +--> joined at a moment
           |                 less the stars as found <------+                  |
    frames on the comet  --  cores of stars masked    --> stack: comet alone --+--> views of the coma

Each of the two is stacked from frames freed of the other, in turns: what belongs to both alike after a
night's motion, a level and a slope, goes to the stars, for the comet ends where it sinks into the sky. Frames
of several filters, taken one after another, are stacked filter by filter, so each is on the comet and on the
stars at its own time.

References: Larson & Sekanina 1984, AJ 89, 571 (rotational gradient); division by the median over the angle is
common practice, no source.
"""

import warnings
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from astropy.table import Table
from astropy.time import Time
from scipy import ndimage

from appulse.bodies import is_comet
from appulse.constants import FWHM_PER_SIGMA
from appulse.errors import InputError
from appulse.numerics import mad_sigma
from appulse.observers import quiet_erfa
from appulse.sequence.body_places import TrailMask
from appulse.sequence.composite import hours_of
from appulse.sequence.parts import digest
from appulse.sequence.stack import Stack, StarMask, between_cells, layers_of, stack, star_pixels

TURNS = 4
CORE_FWHM = 2.0
"""The comet's core is left out of the stars' stack where another frame shows the place without it."""
EDGE_SIGMAS = 2.0
"""The comet ends where its light, smoothed, sinks below so many sigmas of the smoothed noise."""
SMOOTH_FWHM = 4.0
FEATHER_FWHM = 6.0
SHARP_FWHM = 5.0
"""Width of the window that tells stars from a comet smeared by its motion."""
ROUNDS, LEAST_SKY = 3, 0.05
SETTLING, MOST_CELLS, OUTLIER_SIGMAS, STRIP_PIXELS = 60, 40_000, 4.0, 4_000_000
"""Turns on a coarse grid of so many cells, and what is so many sigmas off that it says nothing."""
LEAST_PLACES, NOTED = 20, 0.01
"""Places that tell how uneven the sky is, and the share of the coma's light from which on that is said."""
ROTATION_DEG = 15.0
COLOURS = {
    "R": ("r", "red", "rc", "rs"), "G": ("g", "green", "v", "gs"), "B": ("b", "blue", "bc", "bs"),
}  # fmt: skip
PRODUCTS = (
    "comet.fits", "stars.fits", "joined.png", "coma_gradient.fits", "coma_division.fits", "coma_profile.ecsv",
    "coma_views.png",
)  # fmt: skip


def wants_comet(body: str, choice: str) -> bool:
    """Whether these products are made: of comets, unless the user says otherwise."""
    return choice == "yes" or (choice == "auto" and any(is_comet(name) for name in body.split(",") if name))


@dataclass(frozen=True)
class CometStacks:
    """Stars alone and comet alone, a stack for each plane."""

    stars: list
    comet: list
    nucleus: tuple[float, float]  # on the comet's stacks, px
    region: np.ndarray  # share of each pixel that counts as the comet's, 0 to 1
    names: tuple[str, ...]  # of the planes: filters, or empty
    notes: tuple[str, ...] = ()


class Freed:
    """A frame's plane with a model of something else taken off, moved to where it lies in that frame."""

    def __init__(self, plane, spline, shift, factor):
        # spline: (ny, nx) array; cubic coefficients.
        # shift: (float, float); the plane's pixel (x, y) holds the model's (x, y) + shift.
        self.plane, self.spline, self.shift, self.factor = plane, spline, shift, factor
        self.shape = plane.shape

    def rows(self, first, last):
        """Stored values of rows first..last-1, freed."""
        return self.plane.rows(first, last) - moved(self.spline, self.shift, first, last) / self.factor


def moved(spline, shift, first, last) -> np.ndarray:
    """Rows first..last-1 of a picture displaced: its values at (x, y) + shift; nothing beyond its edges."""
    ny, nx = spline.shape
    low, high = int(np.floor(first + shift[1])) - 4, int(np.ceil(last + shift[1])) + 4
    out = np.zeros((last - first, nx), dtype=np.float32)
    a, b = max(low, 0), min(high, ny)
    if b - a < 8:
        return out
    return ndimage.affine_transform(
        spline[a:b], np.ones(2), offset=(first + shift[1] - a, shift[0]), output_shape=out.shape, order=3,
        prefilter=False, mode="constant", cval=0.0, output=np.float32,
    )  # fmt: skip


def spline_of(picture) -> np.ndarray:
    """Cubic coefficients; blank pixels are taken as the rest's middle."""
    blank = ~np.isfinite(picture)
    filled = np.where(blank, np.median(picture[~blank]) if not blank.all() else 0.0, picture)
    return ndimage.spline_filter(filled.astype(np.float32), order=3, output=np.float32)


def planes_of(resampled) -> tuple[list, tuple, tuple]:
    """Indices of frames and colour for each plane of the picture, the planes' names, and notes."""
    everyone = list(range(len(resampled)))
    n = len(resampled[0].planes)
    if n == 3:
        return [(everyone, colour) for colour in range(3)], ("R", "G", "B"), ()
    by_colour = {}
    for index, frame in enumerate(resampled):
        name = (frame.subframe.frame.filter or "").strip().lower()
        colour = next((c for c, names in COLOURS.items() if name in names), "")
        by_colour.setdefault(colour, []).append(index)
    if all(colour in by_colour for colour in COLOURS):
        notes = ()
        if "" in by_colour:
            names = sorted({resampled[i].subframe.frame.filter or "no filter" for i in by_colour[""]})
            words = "the comet's colour picture is made of red, green and blue; left out: "
            notes = (words + ", ".join(names),)
        return [(by_colour[colour], 0) for colour in COLOURS], tuple(COLOURS), notes
    return [(everyone, 0)], (), ()


def separate(night, resampled, moving, settings, parts, *, workers=1, progress=None) -> CometStacks:
    """Stars and comet apart."""
    planes, names, notes = planes_of(resampled)
    home = np.array(resampled[0].place) - np.array(moving[0].shift)
    stars, comets, regions = [], [], []
    for indices, colour in planes:
        still, rest = [resampled[i] for i in indices], [moving[i] for i in indices]
        key = digest(
            [layer.planes[colour].path.name for layer in (*still, *rest)],
            [[*f.levels[colour].plane.tolist(), f.levels[colour].factor, *f.place] for f in (*still, *rest)],
            settings.clip_low, settings.clip_high, settings.weights, night.fwhm,
        )  # fmt: skip
        made = []

        def both(still=still, rest=rest, colour=colour, made=made):
            if not made:
                made.append(_apart(night, still, rest, colour, settings, home, workers, progress))
            return made[0]

        fits = partial(_fits, tuple(night.grid.shape))
        stars.append(parts.record("starsalone", key, Stack, lambda both=both: both()[0], fits))
        comets.append(parts.record("cometalone", key, Stack, lambda both=both: both()[1], fits))
        regions.append(comets[-1].data != 0.0)
    light = np.mean([np.nan_to_num(comet.data) for comet in comets], axis=0)
    nucleus = nucleus_of(light, home, night.fwhm)
    region = np.any(regions, axis=0)
    if min(len(indices) for indices, _ in planes) < 3:
        words = "fewer than three frames of a filter: stars are taken off the comet by their model alone"
        notes = (*notes, words)
    return CometStacks(stars, comets, nucleus, region, names, notes)


def _fits(shape, found) -> bool:
    return found.data.shape == shape and found.noise.shape == shape and found.count.shape == shape


def _apart(night, still, rest, colour, settings, home, workers, progress) -> tuple[Stack, Stack]:
    """The stars' stack and the comet's, of one plane, in turns."""
    grid, fwhm = night.grid, night.fwhm
    clip = (settings.clip_low, settings.clip_high)
    options = {"clip": clip, "workers": workers}
    cores = [TrailMask(frame.trail, CORE_FWHM * fwhm, grid.shape) for frame in still]
    on_stars = layers_of(still, colour, settings, cores, grid)
    sky = float(on_stars[0].level.sky)
    first = stack(on_stars, grid.shape, free=0.0, **options)
    sigma = float(np.median([layer.level.sigma for layer in on_stars]))
    # Star pixels by the stack, the comet's smeared light passed over: only what is sharp is one.
    stars = star_pixels(first.data, sigma, fwhm)
    near = TrailMask(np.vstack([frame.trail for frame in still]), 3 * fwhm, grid.shape)(0, grid.shape[0])
    filled = np.nan_to_num(first.data, nan=sky)
    sharp = filled - ndimage.median_filter(filled, int(SHARP_FWHM * fwhm) | 1)
    stars &= ~near | (sharp > 5 * sigma)
    masks = [StarMask(stars, frame.shift) for frame in rest]
    on_comet = layers_of(rest, colour, settings, masks, grid)
    # At first the comet's smeared light is in the stars' stack: only what is sharp there is taken off, on its
    # way too. Small stars left there would count as coma, and what is broader than the way stays so: turns
    # bring back the ridge that the nucleus drew, but not that.
    model, comet, own = sharp, None, None
    for turn in range(TURNS):
        spline = spline_of(model)
        layers = [
            replace(layer, plane=Freed(layer.plane, spline, frame.shift, layer.level.factor))
            for layer, frame in zip(on_comet, rest, strict=True)
        ]
        comet = stack(layers, grid.shape, free=0.25, **options)
        # The comet's outline is that of the second turn, when stars are off: it is not to creep outwards.
        light, own = _comet_light(comet, sky, home, fwhm, own if turn > 1 else None)
        spline = spline_of(light)
        layers = [
            replace(layer, plane=Freed(layer.plane, spline, back, layer.level.factor))
            for layer, back in zip(on_stars, [(-f.shift[0], -f.shift[1]) for f in rest], strict=True)
        ]
        found = stack(layers, grid.shape, free=0.0, **options)
        model = found.data - sky
        if progress is not None:
            progress(grid.shape[0])
    more, other = _settled(on_stars, [frame.shift for frame in rest], found.data, light, fwhm)
    comet.data = (light + more).astype(np.float32)
    found.data += other
    return found, comet


def cell_of(fwhm) -> int:
    """Side of a cell by whose means levels are found, px."""
    return max(4, round(2 * fwhm))


def _settled(layers, shifts, stars, light, fwhm):
    """What is still to be moved between comet and stars, smooth pictures of both.

    In turns of whole stacks what is broader than the comet's way hardly passes from one to the other, and a
    frame's level was found with the comet in it: on a coarse grid stars, comet and a plane for each frame are
    settled by as many turns as it takes.
    """
    ny, nx = stars.shape
    cell = max(cell_of(fwhm), int(np.ceil(np.sqrt(stars.size / MOST_CELLS))))
    my, mx = ny // cell, nx // cell
    spline = spline_of(light)
    means, weights = np.zeros((2, len(layers), my, mx))
    y, x = (index.ravel() * cell + (cell - 1) / 2 for index in np.indices((my, mx)))
    for k, (layer, shift) in enumerate(zip(layers, shifts, strict=True)):
        limit = OUTLIER_SIGMAS * layer.level.sigma
        for j in range(0, my, rows := max(1, STRIP_PIXELS // (nx * cell))):
            first, last = j * cell, min(j + rows, my) * cell
            left = layer.level.apply(layer.plane.rows(first, last), 0, first) - stars[first:last]
            left = (left - moved(spline, (-shift[0], -shift[1]), first, last))[:, : mx * cell]
            good = np.abs(left) < limit
            parts = (part.reshape(-1, cell, mx, cell) for part in (np.where(good, left, 0.0), good))
            total, count = (part.sum(axis=(1, 3)) for part in parts)
            means[k, j : j + rows] = total / np.maximum(count, 1)
            weights[k, j : j + rows] = count * layer.weight
    region = ndimage.zoom((light != 0.0).astype(float), np.array([my, mx]) / stars.shape, order=1) > 0.5
    steps = [np.array([shift[1], shift[0]]) / cell for shift in shifts]

    def shifted(picture, step):
        return ndimage.shift(picture, step, order=1, mode="constant", cval=0.0)

    on_comet = np.maximum(sum(shifted(w, -step) for w, step in zip(weights, steps, strict=True)), 1e-9)
    own, other = np.zeros((2, my, mx))
    planes = np.zeros(means.shape)
    for _ in range(SETTLING):
        freed = means - planes
        light_of = zip(weights, freed, steps, strict=True)
        own = sum(shifted(w * (m - other), -s) for w, m, s in light_of) / on_comet
        own = np.where(region, own, 0.0)
        there = np.array([shifted(own, step) for step in steps])
        other = (weights * (freed - there)).sum(axis=0) / np.maximum(weights.sum(axis=0), 1e-9)
        for k in range(len(means)):
            use = (weights[k] > 0).ravel()
            values = (means[k] - other - there[k]).ravel()[use]
            found = plane_through(x[use], y[use], values, weights[k].ravel()[use])
            planes[k] = (found[0] + found[1] * x + found[2] * y).reshape(my, mx)
        planes -= planes.mean(axis=0)
    at = [np.arange(n) for n in stars.shape]
    own, other = (between_cells(mesh.astype(np.float32), cell, *at) for mesh in (own, other))
    return np.where(light != 0.0, own, 0.0), other


def _comet_light(found: Stack, sky, home, fwhm, known_outline=None):
    """The comet's light above the sky, ended where it sinks into it (0 beyond), and where that is."""
    values = np.nan_to_num(found.data - sky)
    ny, nx = values.shape
    rows, columns = np.indices(values.shape)
    away = np.hypot(columns - home[0], rows - home[1])
    known = np.isfinite(found.data) & (found.count > 0)
    feather = FEATHER_FWHM * fwhm
    x, y = np.clip(np.round(home).astype(int), 0, [nx - 1, ny - 1])
    own, light = away < feather if known_outline is None else known_outline, values
    for _ in range(ROUNDS if known_outline is None else 1):
        # What the sky slopes by across the picture is no comet's: a plane through all that lies clear of it.
        distance = ndimage.distance_transform_edt(~own)
        clear = known & (distance > feather)
        if clear.sum() < LEAST_SKY * known.sum():
            break
        light = values - _sky_plane(values, clear, cell_of(fwhm))
        if known_outline is not None:
            break
        blurred = ndimage.gaussian_filter(light, SMOOTH_FWHM * fwhm / FWHM_PER_SIGMA)
        noise = mad_sigma(blurred[clear])
        lit = (blurred > EDGE_SIGMAS * max(noise, 1e-12)) | (away < 3 * fwhm)
        label, _ = ndimage.label(lit & known)
        own = label == label[y, x] if label[y, x] else away < 3 * fwhm
        own = ndimage.binary_fill_holes(own)
    distance = ndimage.distance_transform_edt(~own)
    region = np.clip(1.0 - distance / feather, 0.0, 1.0) * known
    # Nor an edge where the frames end.
    inside = ndimage.distance_transform_edt(np.pad(known, 1))[1:-1, 1:-1]
    return light * region * np.clip(inside / feather, 0.0, 1.0), own


def _sky_plane(values, clear, cell):
    """Plane through the clear part of a picture, by means of cells."""
    # Means, not clipped pixels: what is left of stars is skewed, and in the comet's light it counts in full.
    ny, nx = values.shape
    my, mx = ny // cell, nx // cell
    parts = (part[: my * cell, : mx * cell] for part in (np.where(clear, values, 0.0), clear))
    total, count = (part.reshape(my, cell, mx, cell).sum(axis=(1, 3)) for part in parts)
    use = count > 0.5 * cell**2
    rows, columns = (index[use] * cell + (cell - 1) / 2 for index in np.indices((my, mx)))
    found = plane_through(columns, rows, total[use] / count[use], count[use])
    y, x = np.arange(ny)[:, None], np.arange(nx)[None, :]
    return found[0] + found[1] * x + found[2] * y


def plane_through(x, y, values, weights):
    """Coefficients (level, x, y) of a plane through values, those far off left out."""
    design = np.stack([np.ones(len(x)), x, y], axis=1) * np.sqrt(weights)[:, None]
    wanted, keep, found = values * np.sqrt(weights), np.ones(len(x), bool), np.zeros(3)
    for _ in range(4):
        found = np.linalg.lstsq(design[keep], wanted[keep], rcond=None)[0]
        off = wanted - design @ found
        keep = np.abs(off) < 3.5 * max(mad_sigma(off), 1e-12)
    return found


def nucleus_of(light, home, fwhm) -> tuple[float, float]:
    """Middle of the brightest light near the comet's place on its stack, px."""
    smooth = ndimage.gaussian_filter(light, fwhm / FWHM_PER_SIGMA)
    rows, columns = np.indices(light.shape)
    near = np.hypot(columns - home[0], rows - home[1]) < 4 * fwhm
    if not near.any():
        return float(home[0]), float(home[1])
    j, i = np.unravel_index(np.argmax(np.where(near, smooth, -np.inf)), light.shape)
    core = np.hypot(columns - i, rows - j) < fwhm
    weight = np.where(core, np.maximum(smooth - smooth[core].min(), 0.0), 0.0)
    total = max(float(weight.sum()), 1e-30)
    return float((weight * columns).sum() / total), float((weight * rows).sum() / total)


def place_at(resampled, moment) -> tuple[np.ndarray, str]:
    """The comet's place (x, y) on the star grid at a moment: a frame's name or a UTC time; and the time."""
    names = [frame.subframe.frame.name for frame in resampled]
    times = [frame.subframe.place.time for frame in resampled]
    places = np.array([frame.place for frame in resampled])
    if moment in names:
        k = names.index(moment)
        return places[k], times[k]
    try:
        with quiet_erfa():
            wanted = Time(moment, scale="utc").isot
    except ValueError:
        raise InputError(
            f"moment {moment!r}: the name of a frame or a UTC time such as {times[0][:19]} is needed"
        ) from None
    with quiet_erfa():
        hours = hours_of([*times, wanted])
    known, own = hours[:-1], hours[-1]
    if not known.min() - 1e-3 <= own <= known.max() + 1e-3:
        raise InputError(f"moment {moment!r}: a time from {min(times)[:19]} to {max(times)[:19]} is needed")
    order = np.argsort(known)
    at = [np.interp(own, known[order], places[order, axis]) for axis in (0, 1)]
    return np.array(at), wanted


def joined(stacks: CometStacks, light_of_stars, light_of_comet, shift) -> np.ndarray:
    """Stars and comet in one, (c, ny, nx): the comet displaced by `shift` px from its own stack."""
    ny = light_of_stars.shape[1]
    back = (-float(shift[0]), -float(shift[1]))
    comet = np.stack([moved(spline_of(plane), back, 0, ny) for plane in light_of_comet])
    return light_of_stars + comet


# --- views of the coma


def polar(light, nucleus, radius):
    """Light by distance (rows, 1 px) and angle (columns, 1 degree) about the nucleus."""
    r, angle = np.meshgrid(np.arange(radius), np.radians(np.arange(360)), indexing="ij")
    at = [nucleus[1] + r * np.sin(angle), nucleus[0] + r * np.cos(angle)]
    return ndimage.map_coordinates(light, at, order=1, mode="constant", cval=np.nan)


def rotational_gradient(light, nucleus, degrees=ROTATION_DEG) -> np.ndarray:
    """Twice the light less itself turned both ways about the nucleus (Larson & Sekanina 1984, eq. 1, dr = 0).

    >>> rows, columns = np.indices((41, 41))
    >>> coma = 1.0 / (2 + np.hypot(columns - 20, rows - 20))
    >>> bool(np.abs(rotational_gradient(coma, (20, 20))[5:-5, 5:-5]).max() < 0.02)
    True
    """
    spline = spline_of(light)
    rows, columns = np.indices(light.shape)
    dx, dy = columns - nucleus[0], rows - nucleus[1]
    total = 2.0 * light
    for sign in (1, -1):
        c, s = np.cos(np.radians(sign * degrees)), np.sin(np.radians(sign * degrees))
        at = [nucleus[1] + s * dx + c * dy, nucleus[0] + c * dx - s * dy]
        total = total - ndimage.map_coordinates(spline, at, order=3, prefilter=False, mode="nearest")
    return total.astype(np.float32)


def smoothed(light, fwhm) -> np.ndarray:
    """Light blurred by a star image, blank pixels as nothing."""
    return ndimage.gaussian_filter(np.nan_to_num(light), fwhm / FWHM_PER_SIGMA)


def sky_structure(stars, shifts, nucleus, radius, fwhm) -> tuple[np.ndarray, np.ndarray]:
    """Radii, px, and what structure of the sky on a comet's way can put in circles of them: 1 sigma per px.

    `stars` is the picture without the comet, `shifts` the comet's way on it. What is as broad as the way,
    as a nebula may be, is told from coma only in part: circles along the same way at other places of the
    picture show what it comes to if none of it is. NaN where the picture holds too few such places.
    """
    from scipy.signal import fftconvolve  # only a comet pays for loading it

    cell = max(cell_of(fwhm), int(np.ceil(np.sqrt(stars.size / MOST_CELLS))))
    my, mx = (n // cell for n in stars.shape)
    radii = np.geomspace(max(2.0 * fwhm, cell), max(radius, 2.5 * fwhm, 1.1 * cell), 5)
    if min(my, mx) < 4:
        return radii, np.full(len(radii), np.nan)
    with np.errstate(all="ignore"), warnings.catch_warnings():
        warnings.simplefilter("ignore")  # cells without a value
        cells = np.nanmedian(stars[: my * cell, : mx * cell].reshape(my, cell, mx, cell), axis=(1, 3))
    known = np.isfinite(cells)
    filled = np.where(known, cells, np.median(cells[known]) if known.any() else 0.0)
    # A star that fills a cell is none of the sky's structure.
    usual = ndimage.median_filter(filled, 5)
    off = filled - usual
    filled = np.where(np.abs(off) > OUTLIER_SIGMAS * max(mad_sigma(off), 1e-12), usual, filled)
    way = [np.array([-shift[1], -shift[0]]) / cell for shift in shifts]
    moved_to = [ndimage.shift(filled, step, order=1, mode="nearest") for step in way]
    seen = [ndimage.shift(known.astype(float), step, order=0, mode="constant") > 0.5 for step in way]
    mean, seen = np.mean(moved_to, axis=0), np.all(seen, axis=0)

    def within(picture, reach):
        y, x = np.indices((2 * int(np.ceil(reach)) + 1,) * 2) - int(np.ceil(reach))
        disc = np.clip(reach + 0.5 - np.hypot(x, y), 0.0, 1.0)
        total, count = (fftconvolve(part, disc, mode="same") for part in (picture, np.ones(picture.shape)))
        return total / count

    outer = (radius + FEATHER_FWHM * fwhm) / cell
    rows, columns = np.indices(cells.shape) * cell + (cell - 1) / 2
    clear = ndimage.binary_erosion(seen, iterations=max(1, int(0.5 * outer)))
    clear &= np.hypot(columns - nucleus[0], rows - nucleus[1]) > radius
    if clear.sum() < LEAST_PLACES:
        return radii, np.full(len(radii), np.nan)
    around = within(mean, outer)
    return radii, np.array([mad_sigma((within(mean, r / cell) - around)[clear]) for r in radii])


def profile_of(light, noise, structure, nucleus, radius, scale_arcsec) -> Table:
    """Light by distance from the nucleus: mean and median over the angle, scatter, slope, and all within."""
    rings = polar(light, nucleus, radius)
    r = np.arange(radius)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean, median = np.nanmean(rings, axis=1), np.nanmedian(rings, axis=1)
        slope = -np.gradient(np.log(np.where(mean > 0, mean, np.nan)), np.log(np.maximum(r, 0.5)))
    rows, columns = np.indices(light.shape)
    whole = np.ceil(np.hypot(columns - nucleus[0], rows - nucleus[1])).astype(int).ravel()

    def inside(values):
        return np.cumsum(np.bincount(whole, np.nan_to_num(values).ravel(), minlength=radius))[:radius]

    uneven = inside(np.ones(light.shape)) * np.interp(r, *structure)
    table = Table({"radius_px": r, "radius_arcsec": np.round(r * scale_arcsec, 3)})
    names = {
        "mean": mean, "median": median, "scatter": np.nanstd(rings, axis=1), "slope": slope,
        "total": inside(light), "total_noise": np.sqrt(inside(noise**2)), "total_sky": uneven,
    }  # fmt: skip
    for name, values in names.items():
        table[name] = np.asarray(values, dtype=np.float32)
    table.meta["comments"] = [
        "the coma about its nucleus, of comet.fits (mean of its planes): light in its units by distance; "
        "slope: brightness falls as distance^-slope there; total: all within the distance, with its noise; "
        "total_sky: what structure of the sky on the comet's way adds or takes if none was told from coma "
        "(1 sigma; NaN where the picture is too small); processed: stars taken off, sky taken off"
    ]
    return table


def structure_words(table, fwhm) -> tuple[str, ...]:
    """What the sky's structure leaves open of the coma's light within three FWHM, if much."""
    at = int(min(round(3 * fwhm), len(table) - 1))
    total, sky = float(table["total"][at]), float(table["total_sky"][at])
    if not np.isfinite(sky):
        return ("the coma's light: the picture is too small to tell what structure of the sky adds or takes",)
    if not total > 0 or sky < NOTED * total:
        return ()
    share = f"{100 * sky / total:.0f}%" if sky < total else "all"
    return (
        f"the sky is uneven on the comet's way: structure as broad as the way may add or take up to {share} "
        f"of the coma's light within {at} px (1 sigma; coma_profile.ecsv has it for each distance)",
    )


def median_division(light, nucleus, radius, least) -> np.ndarray:
    """Light over the median at its distance from the nucleus; NaN where that is below `least`."""
    rings = np.nanmedian(polar(light, nucleus, radius), axis=1)
    rows, columns = np.indices(light.shape)
    away = np.hypot(columns - nucleus[0], rows - nucleus[1])
    at = np.interp(away, np.arange(radius), rings, right=np.nan)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(at > least, light / at, np.nan).astype(np.float32)


def coma_radius(stacks: CometStacks) -> int:
    """Distance from the nucleus that the views reach, px: to the farthest of the comet."""
    rows, columns = np.nonzero(stacks.region)
    ny, nx = stacks.region.shape
    far = np.hypot(columns - stacks.nucleus[0], rows - stacks.nucleus[1]).max(initial=8.0)
    return int(np.clip(far, 8, 0.7 * max(ny, nx)))


def views_picture(light, gradient, division, nucleus, radius) -> np.ndarray:
    """The coma and its two views side by side as values from 0 to 1, (h, 3 w), the nucleus in the middle."""
    ny, nx = light.shape
    x, y = (round(v) for v in nucleus)
    half = int(max(min(radius, x, y, nx - 1 - x, ny - 1 - y), 4))
    box = slice(y - half, y + half + 1), slice(x - half, x + half + 1)
    panels = []
    for kind, picture in (("light", light), ("sides", gradient), ("ratio", division)):
        part = np.nan_to_num(picture[box], nan=1.0 if kind == "ratio" else 0.0)
        if kind == "light":
            part = np.clip(part / max(np.percentile(part, 99.8), 1e-30), 0, None)
            part = np.arcsinh(20 * part) / np.arcsinh(20)
        elif kind == "sides":
            part = 0.5 + 0.5 * part / max(np.percentile(np.abs(part), 99), 1e-30)
        else:
            part = 0.5 + 0.5 * np.log2(np.clip(part, 0.25, 4.0))
        panels.append(np.clip(part, 0.0, 1.0))
    return np.concatenate(panels, axis=1)
