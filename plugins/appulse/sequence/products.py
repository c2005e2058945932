"""From a prepared night to its stacks: every frame on the star grid and on the body's, then two stacks."""

from dataclasses import dataclass, replace

import numpy as np
from scipy import ndimage

from appulse.astrometry.sky_level import sky_map
from appulse.constants import FWHM_PER_SIGMA
from appulse.sequence.composite import body_radius, take_dot
from appulse.sequence.night import at_once, grid_header
from appulse.sequence.parts import digest
from appulse.sequence.places import TrailMask
from appulse.sequence.resample import Ready
from appulse.sequence.stack import Layer, stack
from appulse.sequence.threads import in_order

STAR_SIGMAS = 2.5
"""Light of the base above its sky, in sigmas of a frame, from which the tracked stack leaves a pixel out."""

NEBULA_SHARE = 0.25
SEARCH_FWHM = 4.0
COMPARED = 8


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


@dataclass
class Laid:
    """One kept shot on a grid: its planes on disk, a level for each, the place of the body there."""

    shot: object
    planes: list
    levels: list
    place: tuple
    trail: np.ndarray
    shift: tuple = (0.0, 0.0)


def lay_frames(night, settings, parts, *, track=True, workers=1, progress=None) -> tuple:
    """Resample every kept frame onto the star grid and onto the body's, both from the same reading.

    Parameters
    ----------
    night : Night
    settings : Settings
    parts : Parts
    track : bool
        Also onto the body's grid: displaced by the body's predicted motion since the reference's middle.
    workers : int
    progress : callable, optional

    Returns
    -------
    laid, moving : lists of Laid
        The second is empty where it was not asked for.
    """
    home, _ = night.reference.place.on(night.grid)
    colours = all(shot.frame.is_colour for shot in night.kept)
    frames = at_once(night.kept, workers)
    inner = workers if frames == 1 or len(night.kept) == 1 else 1

    def lay(shot):
        return _lay_one(shot, night.grid, home, settings, parts, colours, track, inner)

    laid, moving = [], []
    for still, body in in_order(lay, night.kept, frames):
        laid.append(still)
        if track:
            moving.append(body)
        if progress is not None:
            progress()
    if colours:
        _level_colours(laid, night)
        for one, other in zip(laid, moving, strict=False):
            other.levels = [_moved(level, other.shift) for level in one.levels]
    return laid, moving


def _lay_one(shot, grid, home, settings, parts, colours, track, workers):
    place, trail = shot.place.on(grid)
    shift = (place[0] - home[0], place[1] - home[1])
    header = shot.alignment.wcs.to_header_string(relax=True)
    key = (shot.key, header, grid_header(grid).tostring(), settings.keep, colours)
    planes = {"aligned": [], "tracked": []}
    for index in range(3 if colours else 1):
        ready = None

        def make(offset, index=index):
            # Read and filtered when the first of the two planes is missing, once for both.
            nonlocal ready
            if ready is None:
                ready = Ready(
                    shot.frame.colour[index] if colours else shot.frame.data, shot.alignment.wcs, grid,
                    reach=float(np.hypot(*shift)), keep=settings.keep, workers=workers,
                )  # fmt: skip
            return ready.on(offset)

        for kind, offset in (("aligned", (0.0, 0.0)), ("tracked", shift))[: 2 if track else 1]:
            name = digest(*key, offset, index)
            planes[kind].append(
                parts.plane(kind, name, grid.shape, lambda offset=offset, make=make: make(offset))
            )
    shot.frame.release()
    still = Laid(shot, planes["aligned"], [shot.level] * len(planes["aligned"]), place, trail)
    if not track:
        return still, None
    levels = [_moved(shot.level, shift)] * len(planes["tracked"])
    return still, Laid(shot, planes["tracked"], levels, home, trail - np.array(shift), shift)


def _moved(level, shift):
    c0, cx, cy = level.plane
    return replace(level, plane=np.array([c0 + cx * shift[0] + cy * shift[1], cx, cy]))


def _level_colours(laid, night):
    """Sky of each colour brought to that of the reference: a constant for each plane."""
    first = next((one for one in laid if one.shot is night.reference), laid[0])
    step = max(1, night.grid.shape[0] // 200)
    rows = range(0, night.grid.shape[0], step)
    skies = []
    for one in laid:
        skies.append([
            float(np.nanmedian(np.concatenate([
                level.apply(plane.rows(row, row + 1), 0, row)[0, ::step] for row in rows
            ])))
            for plane, level in zip(one.planes, one.levels, strict=True)
        ])  # fmt: skip
    target = skies[laid.index(first)]
    for one, own in zip(laid, skies, strict=True):
        one.levels = [
            replace(level, plane=level.plane + np.array([sky - goal, 0.0, 0.0]))
            for level, sky, goal in zip(one.levels, own, target, strict=True)
        ]


def centre_on_body(laid, fwhm) -> list:
    """Move the predicted places to where the body shows, by one shift for all frames; notes.

    Clock, orbit and plate put the whole path beside the prediction alike. The shift is the median of what
    the frames say that show the body well; fewer than three say nothing.

    Parameters
    ----------
    laid : list of Laid
        On the star grid; `place` and `trail` are changed.
    fwhm : float, px
    """
    found = []
    for one in laid:
        offset = _body_offset(one, laid, fwhm)
        if offset is not None:
            found.append(offset)
    if len(found) < 3:
        return []
    found = np.array(found)
    shift = np.median(found, axis=0)
    spread = 1.4826 * np.median(np.abs(found - shift))
    if np.hypot(*shift) < 0.1 * fwhm or spread > 0.5 * fwhm:
        return []
    for one in laid:
        one.place = (one.place[0] + shift[0], one.place[1] + shift[1])
        one.trail = one.trail + shift
    return [f"the body lies {shift[0]:+.2f}, {shift[1]:+.2f} px (x, y) beside its predicted path: followed"]


def _body_offset(one, laid, fwhm):
    """Offset (x, y) of the body from its predicted place in one frame; None where it does not stand out."""
    x, y = (round(v) for v in one.place)
    ny, nx = one.planes[0].shape
    reach = int(np.ceil(SEARCH_FWHM * fwhm + np.ptp(one.trail, axis=0).max()))
    x0, x1, y0, y1 = x - reach, x + reach + 1, y - reach, y + reach + 1
    if x0 < 0 or y0 < 0 or x1 > nx or y1 > ny:
        return None
    step = max(1, len(laid) // COMPARED)
    others = [o for o in laid[::step] if o is not one]
    if len(others) < 2:
        return None
    boxes = [o.levels[0].apply(o.planes[0].box(x0, y0, x1, y1), x0, y0) for o in [one, *others]]
    extra = np.nan_to_num(boxes[0] - np.median(boxes[1:], axis=0))
    smooth = ndimage.gaussian_filter(extra, fwhm / FWHM_PER_SIGMA)
    j, i = np.unravel_index(np.argmax(smooth), smooth.shape)
    noise = 1.4826 * np.median(np.abs(smooth - np.median(smooth)))
    if smooth[j, i] < 10 * noise or not (2 < i < smooth.shape[1] - 3 and 2 < j < smooth.shape[0] - 3):
        return None
    rows, columns = np.mgrid[0 : smooth.shape[0], 0 : smooth.shape[1]]
    # The middle of light within the trail's length: the peak of a trail alone wanders along it.
    near = np.hypot(columns - i, rows - j) <= 1.5 * fwhm + 0.5 * np.ptp(one.trail, axis=0).max()
    light = np.where(near, np.maximum(smooth, 0.0), 0.0)
    total = light.sum()
    middle = one.trail.mean(axis=0)
    return (
        float((light * columns).sum() / total + x0 - middle[0]),
        float((light * rows).sum() / total + y0 - middle[1]),
    )


def body_peaks(laid, fwhm) -> list:
    """Peak of the body above its surroundings in each frame, in sigmas of a pixel."""
    peaks = []
    for one in laid:
        x, y = (round(v) for v in one.place)
        reach = int(np.ceil(6 * fwhm))
        ny, nx = one.planes[0].shape
        x0, x1, y0, y1 = max(x - reach, 0), min(x + reach + 1, nx), max(y - reach, 0), min(y + reach + 1, ny)
        if x0 >= x1 or y0 >= y1:
            peaks.append(0.0)
            continue
        values = one.levels[0].apply(one.planes[0].box(x0, y0, x1, y1), x0, y0)
        core = TrailMask(one.trail - [x0, y0], 1.5 * fwhm, values.shape)(0, y1 - y0)
        inside = values[core & np.isfinite(values)]
        rest = values[~core & np.isfinite(values)]
        peak = (inside.max() - np.median(rest)) if len(inside) and len(rest) else 0.0
        peaks.append(float(max(peak, 0.0) / one.levels[0].sigma))
    return peaks


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


def dots_of(night, laid, base) -> list:
    """The body as every kept frame has it.

    Parameters
    ----------
    night : Night
    laid : list of Laid
        On the star grid.
    base : (c, ny, nx) array

    Returns
    -------
    list of Dot
    """
    found = []
    for one in laid:

        def reader(plane, level):
            return lambda x0, y0, x1, y1: level.apply(plane.box(x0, y0, x1, y1), x0, y0)

        planes = [reader(plane, level) for plane, level in zip(one.planes, one.levels, strict=True)]
        place = one.shot.place
        noise = one.levels[0].sigma / np.sqrt(len(planes))
        found.append(
            take_dot(one.shot.frame.name, place.time, planes, base, one.place, one.trail, night.fwhm, noise)
        )
    return found
