"""Series of invented frames with movers in them."""

import numpy as np
from astropy.time import TimeDelta

from appulse.astrometry.plate import check_plate
from appulse.frames.camera import Camera, Valued
from appulse.frames.exposure import Exposure
from appulse.frames.frame import SolvedFrame
from invented_frames import DEC, GAIN, MID, RA, READ_E, SKY_E, ZERO_E, add_point, star_field, tan_wcs

SHAPE = (200, 220)


def nebula(rng, shape, knots=60):
    """Electrons of a nebula: broad clouds of some sky levels, and knots as small as a star."""
    light = np.zeros(shape)
    y, x = np.mgrid[: shape[0], : shape[1]]
    for size in np.exp(rng.uniform(np.log(1.3), np.log(30.0), knots)):
        height, (cx, cy) = SKY_E * rng.uniform(0.2, 1.5), rng.uniform(0, shape[1], 2)
        light += height * np.exp(-0.5 * ((x - cx) ** 2 + (y - cy) ** 2) / size**2)
    return light


def series(rng, movers, n_frames=4, step_min=40.0, n_stars=25, fwhms=None, cloud=None, poses=None,
           saturation=None, faintest=15.5, draw=add_point, hits=0):  # fmt: skip
    """Frames of one field; movers are (x, y, dx, dy per hour in px of the first frame, electrons).

    `fwhms`: seeing of each frame; `cloud`: electrons of something that stands still; `poses`: (turn in
    degrees, mirrored, dRA, dDec in arcsec) of each frame; `draw`: adds a point of light (canvas, x, y,
    electrons, fwhm); `hits`: cosmic rays in each frame.
    """
    first = tan_wcs(SHAPE)
    fwhms = fwhms or [2.8] * n_frames
    table, x, y = star_field(rng, n_stars, SHAPE, first, faintest)
    frames, plates = [], []
    for k in range(n_frames):
        wcs = first
        if poses is not None:
            turn, mirrored, east, north = poses[k]
            centre = {"ra": RA + east / 3600, "dec": DEC + north / 3600}
            wcs = tan_wcs(SHAPE, turn_deg=turn, mirrored=mirrored, **centre)

        def here(px, py, wcs=wcs):
            return wcs.all_world2pix(*first.all_pix2world(px, py, 0), 0)

        canvas = np.full(SHAPE, SKY_E) if cloud is None else SKY_E + cloud
        for px, py, g in zip(*here(x, y), table.g, strict=True):
            draw(canvas, px, py, 10 ** (0.4 * (ZERO_E - g)), fwhms[k])
        hours = k * step_min / 60
        for mx, my, dx, dy, flux in movers:
            px, py = here(mx + dx * hours, my + dy * hours)
            draw(canvas, float(px), float(py), flux, fwhms[k])
        canvas = rng.poisson(canvas).astype(float)
        for _ in range(hits):
            j, i = rng.integers(0, SHAPE[0] - 1), rng.integers(0, SHAPE[1] - 3)
            canvas[j, i : i + rng.integers(1, 4)] += rng.uniform(200, 5000)
        data = ((canvas + rng.normal(0, READ_E, SHAPE)) / GAIN).astype(np.float32)
        known = None
        if saturation is not None:
            data, known = np.minimum(data, np.float32(saturation)), Valued(saturation, "given")
        exposure = Exposure.from_mid(MID + TimeDelta(hours * 3600, format="sec"), 60.0)
        camera = Camera(Valued(GAIN, "given"), Valued(READ_E, "given"), known)
        frames.append(SolvedFrame.from_arrays(data, wcs, exposure, None, camera))
        plates.append(check_plate(frames[-1], None))
    return frames, plates
