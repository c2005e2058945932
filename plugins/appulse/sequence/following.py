"""The body in the frames: where it shows, how bright, and what each frame has of it."""

import numpy as np
from scipy import ndimage

from appulse.constants import FWHM_PER_SIGMA
from appulse.sequence.composite import Dot, take_dot
from appulse.sequence.places import TrailMask

SEARCH_FWHM = 4.0
COMPARED = 8


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
    if len(laid) == 1:
        # Its base is the frame itself: there is nothing to take the body out with.
        one = laid[0]
        name, time, (x, y) = one.shot.frame.name, one.shot.place.time, one.place
        return [Dot(name, time, float(x), float(y), reason="a single frame: the body stays in the base")]
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
