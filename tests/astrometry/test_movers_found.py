"""Movers planted in invented frames: how many are found, and how many more than were planted."""

import numpy as np
import pytest
from astropy.time import TimeDelta
from invented_frames import DEC, GAIN, MID, RA, READ_E, SKY_E, ZERO_E, add_point, star_field, tan_wcs

from appulse.astrometry.movers import find_movers, mover_table
from appulse.astrometry.plate import check_plate
from appulse.errors import InputError
from appulse.frames.camera import Camera, Valued
from appulse.frames.exposure import Exposure
from appulse.frames.solved import SolvedFrame

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
           saturation=None):  # fmt: skip
    """Frames of one field; movers are (x, y, dx, dy per hour in px of the first frame, electrons).

    `fwhms`: seeing of each frame; `cloud`: electrons of something that stands still; `poses`: (turn in
    degrees, mirrored, dRA, dDec in arcsec) of each frame.
    """
    first = tan_wcs(SHAPE)
    fwhms = fwhms or [2.8] * n_frames
    table, x, y = star_field(rng, n_stars, SHAPE, first)
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
            add_point(canvas, px, py, 10 ** (0.4 * (ZERO_E - g)), fwhms[k])
        hours = k * step_min / 60
        for mx, my, dx, dy, flux in movers:
            px, py = here(mx + dx * hours, my + dy * hours)
            add_point(canvas, float(px), float(py), flux, fwhms[k])
        data = ((rng.poisson(canvas) + rng.normal(0, READ_E, SHAPE)) / GAIN).astype(np.float32)
        known = None
        if saturation is not None:
            data, known = np.minimum(data, np.float32(saturation)), Valued(saturation, "given")
        exposure = Exposure.from_mid(MID + TimeDelta(hours * 3600, format="sec"), 60.0)
        camera = Camera(Valued(GAIN, "given"), Valued(READ_E, "given"), known)
        frames.append(SolvedFrame.from_arrays(data, wcs, exposure, None, camera))
        plates.append(check_plate(frames[-1], None))
    return frames, plates


def test_planted_movers_are_found_and_nothing_else():
    rng = np.random.default_rng(71)
    planted = [(40.0, 150.0, 8.0, 3.0, 4000.0), (180.0, 60.0, -10.0, 6.0, 2500.0)]
    movers = find_movers(*series(rng, planted))
    assert len(movers) == 2
    for _, _, dx, dy, _ in planted:
        rate = 3.6 * np.hypot(dx, dy)
        best = min(movers, key=lambda m: abs(m.rate - rate))
        assert abs(best.rate - rate) < 5 * best.sigma_rate
        assert len(best.sightings) >= 3
    assert list(mover_table(movers)["designation"]) == ["unknown", "unknown"]


def test_false_alarms_and_completeness():
    """Five fields: no false line; of movers at 12 sigma at most one is missed."""
    false, found = 0, 0
    for seed in range(5):
        rng = np.random.default_rng(720 + seed)
        x, y, turn = *rng.uniform(60, 140, 2), rng.uniform(0, 2 * np.pi)
        flux = 12 * np.sqrt(SKY_E + READ_E**2) * 2 * np.sqrt(np.pi) * 2.8 / 2.355
        movers = find_movers(*series(rng, [(x, y, 9 * np.cos(turn), 9 * np.sin(turn), flux)], n_stars=15))
        right = [m for m in movers if abs(m.rate - 32.4) < 5 * m.sigma_rate]
        found += bool(right)
        false += len(movers) - len(right)
    assert false == 0
    assert found >= 4


def test_two_frames_are_too_few():
    with pytest.raises(InputError, match="three"):
        find_movers([None, None], [None, None])
