"""Every frame of a prepared night on the star grid and on the body's, from one reading."""

from dataclasses import dataclass, replace

import numpy as np

from appulse.sequence.night import grid_header
from appulse.sequence.parts import digest
from appulse.sequence.resample import Ready
from appulse.sequence.shots import at_once
from appulse.sequence.threads import in_order


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
