"""A colour base of another night or telescope, laid on the grid."""

import numpy as np

from appulse.sequence.align import align, star_list
from appulse.sequence.resample import resample


def colour_on_grid(frames, night, track, *, aligned=True, workers=1) -> tuple:
    """The colour base on the night's grid.

    Parameters
    ----------
    frames : list of SolvedFrame
        One of three planes, or three of one.
    night : Night
    track : (n, 2) array
        Places of the body, grid px.
    aligned : bool
        By the stars, where they agree with the reference's; by the WCS alone otherwise.
    workers : int

    Returns
    -------
    colour : (3, ny, nx) float32 array or None
        None where it does not overlap with the grid.
    notes : list of str
    """
    planes, notes = [], []
    for frame in frames:
        wcs = frame.wcs
        if aligned:
            reference = night.reference
            found = align(wcs, frame.shape, star_list(frame), reference.alignment.wcs, reference.stars)
            notes += [f"{frame.name}: {words}" for words in found.notes]
            wcs = found.wcs
        sources = frame.colour if frame.is_colour else [frame.data]
        planes += [resample(plane, wcs, night.grid, workers=workers) for plane in sources]
        frame.release()
    colour = np.stack(planes)
    x, y = np.clip(np.round(track).astype(int), 0, np.array(night.grid.shape)[::-1] - 1).T
    missing = ~np.isfinite(colour[:, y, x]).all(axis=0)
    if not np.isfinite(colour).any(axis=(1, 2)).all():
        notes.append("the colour base does not overlap with the frames: the picture stays grey")
        return None, notes
    if missing.any():
        notes.append(
            f"the colour base does not cover the body in {int(missing.sum())} of {len(missing)} frames: "
            "grey there"
        )
    return colour, notes
