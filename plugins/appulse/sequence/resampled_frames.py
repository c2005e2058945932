"""Every frame of a prepared night on the star grid and on the body's, from one reading."""

from dataclasses import dataclass, replace

import numpy as np

from appulse.registration.resampling import Resampler
from appulse.registration.threads import in_order
from appulse.sequence.parts import digest
from appulse.sequence.subframe import at_once


@dataclass
class ResampledFrame:
    """One kept subframe on a grid: its planes on disk, a level for each, the place of the body there."""

    subframe: object
    planes: list
    levels: list
    place: tuple
    trail: np.ndarray
    shift: tuple = (0.0, 0.0)


def resample_frames(night, settings, parts, *, track=True, workers=1, progress=None) -> tuple:
    """Resample every kept frame onto the star grid and onto the body's, both from the same reading."""
    home, _ = night.reference.place.on(night.grid)
    colours = all(subframe.frame.is_colour for subframe in night.kept)
    frames = at_once(night.kept, workers)
    inner = workers if frames == 1 or len(night.kept) == 1 else 1

    plans = [_Plan(subframe, night.grid, home, settings, colours, track) for subframe in night.kept]
    parts.check_room([(*name, night.grid.shape) for plan in plans for name in plan.names])

    def over_base(plan):
        return _lay_one(plan, night.grid, home, settings, parts, inner)

    resampled, moving = [], []
    for still, body in in_order(over_base, plans, frames):
        resampled.append(still)
        if track:
            moving.append(body)
        if progress is not None:
            progress()
    if colours:
        _level_colours(resampled, night)
        for one, other in zip(resampled, moving, strict=False):
            other.levels = [_moved(level, other.shift) for level in one.levels]
    return resampled, moving


class _Plan:
    """What is to be made of one frame, and what its parts are called."""

    def __init__(self, subframe, grid, home, settings, colours, track):
        self.subframe, self.colours = subframe, colours
        self.place, self.trail = subframe.place.on(grid)
        self.shift = (self.place[0] - home[0], self.place[1] - home[1])
        header = subframe.alignment.wcs.to_header_string(relax=True)
        key = (subframe.key(), header, grid.wcs.to_header().tostring(), settings.keep, colours)
        self.kinds = {"aligned": (0.0, 0.0), **({"tracked": self.shift} if track else {})}
        self.keys = {
            (kind, index): digest(*key, offset, index)
            for kind, offset in self.kinds.items()
            for index in range(3 if colours else 1)
        }

    @property
    def names(self):
        """Kind and key of every part."""
        return [(kind, key) for (kind, _), key in self.keys.items()]

    def source(self, index):
        """Pixels of one plane."""
        return self.subframe.frame.colour[index] if self.colours else self.subframe.frame.data


def _lay_one(plan, grid, home, settings, parts, workers):
    subframe, shift = plan.subframe, plan.shift
    planes = {kind: [] for kind in plan.kinds}
    for index in range(3 if plan.colours else 1):
        ready = None

        def make(offset, index=index):
            # Read and filtered when the first of the two planes is missing, once for both.
            nonlocal ready
            if ready is None:
                ready = Resampler(
                    plan.source(index), subframe.alignment.wcs, grid, reach=float(np.hypot(*shift)),
                    keep=settings.keep, workers=workers, fwhm=subframe.stars.fwhm,
                )  # fmt: skip
            return ready.on(offset)

        for kind, offset in plan.kinds.items():
            planes[kind].append(
                parts.plane(
                    kind,
                    plan.keys[kind, index],
                    grid.shape,
                    lambda offset=offset, make=make: make(offset),
                )
            )
    subframe.frame.release()
    aligned = planes["aligned"]
    still = ResampledFrame(subframe, aligned, [subframe.level] * len(aligned), plan.place, plan.trail)
    if "tracked" not in planes:
        return still, None
    levels = [_moved(subframe.level, shift)] * len(aligned)
    return still, ResampledFrame(
        subframe, planes["tracked"], levels, home, plan.trail - np.array(shift), shift
    )


def _moved(level, shift):
    c0, cx, cy = level.plane
    return replace(level, plane=np.array([c0 + cx * shift[0] + cy * shift[1], cx, cy]))


def _level_colours(resampled, night):
    """Sky of each colour brought to that of the reference: a constant for each plane."""
    first = next((one for one in resampled if one.subframe is night.reference), resampled[0])
    step = max(1, night.grid.shape[0] // 200)
    rows = range(0, night.grid.shape[0], step)
    skies = []
    for one in resampled:
        skies.append([
            float(np.nanmedian(np.concatenate([
                level.apply(plane.rows(row, row + 1), 0, row)[0, ::step] for row in rows
            ])))
            for plane, level in zip(one.planes, one.levels, strict=True)
        ])  # fmt: skip
    target = skies[resampled.index(first)]
    for one, own in zip(resampled, skies, strict=True):
        one.levels = [
            replace(level, plane=level.plane + np.array([sky - goal, 0.0, 0.0]))
            for level, sky, goal in zip(one.levels, own, target, strict=True)
        ]
