"""Every frame of a prepared night on the star grid and on the body's, from one reading."""

from dataclasses import dataclass, replace
from functools import cache, partial

import numpy as np

from appulse.registration import Resampler, in_order
from appulse.sequence.parts import digest
from appulse.sequence.subframe import Subframe, at_once


@dataclass(frozen=True)
class ResampledFrame:
    """One kept subframe on a grid: its planes on disk, a level for each, the place of the body there."""

    subframe: Subframe
    planes: tuple
    levels: tuple
    # (x, y) at mid-exposure and (m, 2) trail of the body, grid px.
    place: tuple
    trail: np.ndarray
    # The grid's pixel (x, y) shows what lies at (x, y) + shift on the star grid, px.
    shift: tuple = (0.0, 0.0)

    def box(self, colour: int, x0: int, y0: int, x1: int, y1: int) -> np.ndarray:
        """Levelled values of a part of one plane."""
        return self.levels[colour].apply(self.planes[colour].box(x0, y0, x1, y1), x0, y0)

    def whole(self) -> np.ndarray:
        """Levelled values of all planes, (c, ny, nx)."""
        ny = self.planes[0].shape[0]
        pairs = zip(self.planes, self.levels, strict=True)
        return np.stack([level.apply(plane.rows(0, ny)) for plane, level in pairs])


def resample_frames(night, settings, parts, *, track=True, workers=1, progress=None) -> tuple[list, list]:
    """Every kept frame on the star grid and, for `track`, on the body's; both from the same reading."""
    home, _ = night.reference.place.on(night.grid)
    colours = all(subframe.frame.is_colour for subframe in night.kept)
    frames = at_once(night.kept, workers)
    # Threads go to the frames, or to the strips of the one that is worked on.
    inner = workers if frames == 1 or len(night.kept) == 1 else 1
    plans = [_Plan.of(subframe, night.grid, home, settings, colours, track) for subframe in night.kept]
    parts.check_room([(kind, key, night.grid.shape) for plan in plans for kind, _, key in plan.parts])

    resampled, moving = [], []
    for still, body in in_order(lambda plan: plan.made(home, settings, parts, inner), plans, frames):
        resampled.append(still)
        moving.append(body)
        if progress is not None:
            progress()
    moving = moving if track else []
    if colours:
        resampled = _colours_levelled(resampled, night)
        moving = [
            replace(body, levels=tuple(_moved(level, body.shift) for level in still.levels))
            for still, body in zip(resampled, moving, strict=False)
        ]
    return resampled, moving


@dataclass(frozen=True)
class _Plan:
    """What is to be made of one frame, and what its parts are called."""

    subframe: Subframe
    grid: object
    colours: bool
    place: tuple
    trail: np.ndarray
    shift: tuple
    # (kind, offset of the grid) of the star grid and of the body's, and a key for each plane of each.
    kinds: tuple
    keys: dict

    @classmethod
    def of(cls, subframe, grid, home, settings, colours, track) -> "_Plan":
        place, trail = subframe.place.on(grid)
        shift = (place[0] - home[0], place[1] - home[1])
        header = subframe.alignment.wcs.to_header_string(relax=True)
        key = (subframe.key(), header, grid.wcs.to_header().tostring(), settings.keep, colours)
        kinds = (("aligned", (0.0, 0.0)), *((("tracked", shift),) if track else ()))
        keys = {
            (kind, index): digest(*key, offset, index)
            for kind, offset in kinds
            for index in range(3 if colours else 1)
        }
        return cls(subframe, grid, colours, place, trail, shift, kinds, keys)

    @property
    def parts(self) -> list:
        """Kind, index of the plane and key of every part."""
        return [(kind, index, key) for (kind, index), key in self.keys.items()]

    def made(self, home, settings, parts, workers) -> tuple[ResampledFrame, ResampledFrame | None]:
        """The frame on the star grid, and on the body's where that is asked for."""
        subframe, shift = self.subframe, self.shift
        planes = {kind: [] for kind, _ in self.kinds}
        for index in range(3 if self.colours else 1):

            @cache
            def resampler(index=index):
                # Read and filtered when the first of the two planes is missing, once for both.
                source = subframe.frame.colour[index] if self.colours else subframe.frame.data
                return Resampler(
                    source, subframe.alignment.wcs, self.grid, reach=float(np.hypot(*shift)),
                    keep=settings.keep, workers=workers, fwhm=subframe.stars.fwhm,
                )  # fmt: skip

            for kind, offset in self.kinds:
                make = partial(lambda source, offset: source().on(offset), resampler, offset)
                planes[kind].append(parts.plane(kind, self.keys[kind, index], self.grid.shape, make))
        subframe.frame.release()
        n = len(planes["aligned"])
        still = ResampledFrame(
            subframe, tuple(planes["aligned"]), (subframe.level,) * n, self.place, self.trail
        )
        if "tracked" not in planes:
            return still, None
        levels = (_moved(subframe.level, shift),) * n
        trail = self.trail - np.array(shift)
        return still, ResampledFrame(subframe, tuple(planes["tracked"]), levels, home, trail, shift)


def _moved(level, shift):
    c0, cx, cy = level.plane
    return replace(level, plane=np.array([c0 + cx * shift[0] + cy * shift[1], cx, cy]))


def _colours_levelled(resampled, night) -> list:
    """Sky of each colour brought to that of the reference: a constant for each plane."""
    step = max(1, night.grid.shape[0] // 200)
    rows = range(0, night.grid.shape[0], step)

    def sky(plane, level):
        lines = [level.apply(plane.rows(row, row + 1), 0, row)[0, ::step] for row in rows]
        return float(np.nanmedian(np.concatenate(lines)))

    skies = [[sky(*pair) for pair in zip(r.planes, r.levels, strict=True)] for r in resampled]
    target = next(
        (s for r, s in zip(resampled, skies, strict=True) if r.subframe is night.reference), skies[0]
    )
    return [
        replace(frame, levels=tuple(
            replace(level, plane=level.plane + np.array([own - goal, 0.0, 0.0]))
            for level, own, goal in zip(frame.levels, skies_of, target, strict=True)
        ))
        for frame, skies_of in zip(resampled, skies, strict=True)
    ]  # fmt: skip
