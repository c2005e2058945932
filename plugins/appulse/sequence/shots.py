"""One frame on its way through the night."""

from dataclasses import dataclass, field, replace

import numpy as np

from appulse.sequence.align import Alignment, StarList
from appulse.sequence.calibrate import calibrated
from appulse.sequence.level import Level
from appulse.sequence.parts import digest

FRAME_BYTES = 1.6e9
"""For the frames that are worked on at once."""


@dataclass
class Shot:
    """One frame on its way through the night.

    Parameters
    ----------
    frame : SolvedFrame
        Calibrated; binned for a preview.
    key : callable
        Gives the digest of its bytes and of what was done to it: a whole file is read for it, hence later.
    place : BodyPlace
    look : SolvedFrame, optional
        On which its stars are looked for, where that is not `frame`: the mosaic of a colour frame.
    """

    frame: object
    key: object
    place: object
    look: object = None
    stars: StarList | None = None
    alignment: Alignment | None = None
    grade: dict = field(default_factory=dict)
    level: Level | None = None
    planes: list = field(default_factory=list)

    @property
    def keep(self) -> bool:
        """Whether the frame goes into the stacks."""
        return bool(self.grade.get("keep", True))

    def smaller(self, step: int) -> "Shot":
        """The shot with `step` by `step` pixels taken together, not yet looked at."""
        unique = digest(str(self.frame.path), self.frame.name, self.place.time, step)
        return Shot(binned(self.frame, step), lambda: unique, self.place)

    @property
    def gain(self) -> float:
        """Electrons per stored unit; infinite where unknown."""
        known = self.frame.camera.gain_e_adu
        return float(known) if known is not None else np.inf


def binned(frame, step: int):
    """A frame with `step` by `step` pixels taken together: for previews.

    Examples
    --------
    >>> from appulse.frames.frame import SolvedFrame
    >>> from appulse.sequence.grid import tangent_grid
    >>> grid = tangent_grid(246.4, -24.2, 3.6, 0.0, (40, 60))
    >>> small = binned(SolvedFrame.from_arrays(np.ones((40, 60)), grid.wcs), 4)
    >>> small.data.shape, round(small.pixel_scale, 3)
    ((10, 15), 14.4)
    """
    if step == 1:
        return frame
    ny, nx = (n // step for n in frame.shape)
    source = frame
    small = []

    def pixels():
        if small:  # it takes no room, and the file is read once
            return small[0]
        planes = source.colour if source.is_colour else source.data
        cut = planes[..., : ny * step, : nx * step]
        out = cut.reshape(*cut.shape[:-2], ny, step, nx, step).mean(axis=(-3, -1), dtype=np.float32)
        source.release()
        small.append(out)
        return out

    wcs = frame.wcs.deepcopy()
    wcs.wcs.crpix = (wcs.wcs.crpix - 0.5) / step + 0.5
    if wcs.wcs.has_cd():
        wcs.wcs.cd = wcs.wcs.cd * step
    else:
        wcs.wcs.cdelt = wcs.wcs.cdelt * step
    wcs.sip = None
    wcs.wcs.ctype = [name.removesuffix("-SIP") for name in wcs.wcs.ctype]
    wcs.wcs.set()
    return replace(
        frame, wcs=wcs, shape=(ny, nx), pixel_source=pixels, checksum_source=lambda: frame.checksum
    )


def shot_of(frame, place, masters, settings) -> Shot:
    """A frame made ready to be looked at."""
    known = {}
    ready = binned(calibrated(frame, masters, mend_hot=settings.mend_hot, known=known), settings.bin)
    named = None if masters is None else masters.names
    header = ready.wcs.to_header_string(relax=True)

    def key():
        return digest(frame.checksum or frame.name, named, settings.mend_hot, settings.bin, header)

    shot = Shot(ready, key, place)
    if frame.mosaic and settings.bin == 1:
        shot.look = calibrated(frame, masters, mend_hot=settings.mend_hot, as_mosaic=True, known=known)
    return shot


def at_once(shots, workers) -> int:
    """How many frames may be worked on at the same time, so that memory stays bounded."""
    largest = max(
        (np.prod(shot.frame.shape) * (3 if shot.frame.is_colour else 1) for shot in shots), default=1
    )
    # The pixels and three times as much on the way to the grid.
    return int(max(1, min(workers, FRAME_BYTES // (16 * largest))))
