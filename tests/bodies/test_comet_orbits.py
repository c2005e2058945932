"""Comets' orbits: fragments, JPL's rows with outgassing, epochs at perihelion, elements that are too old."""

import json
import re

import numpy as np
import pytest
from astropy import units as u
from astropy.time import Time
from horizons_tables import AUTHORITIES, rows, vector

from appulse.bodies import NBodyEphemeris, NonGrav, Orbit, predict, read_orbits
from appulse.bodies.readers import file_kind
from appulse.cli.main import main
from appulse.observers import Site

# The columns of the MPC's list; the head says which comet.
LINE = (
    "{:12}  2026 03 29.6333  0.916241  0.994928  130.6448  283.3593   88.9908  20260531   9.0  4.0  "
    "{:56} MPC106342"
)


@pytest.mark.parametrize(
    ("head", "designation"),
    [
        ("0003D      a", "3D-A"), ("0003D a", "3D-A"), ("0073P     bt", "73P-BT"), ("0073PJ95S01b", "73P-B"),
        ("0002P", "2P"), ("    CK23A030", "C/2023 A3"), ("    PJ95S01b", "P/1995 S1-B"),
    ],
)  # fmt: skip
def test_fragments_in_the_minor_planet_centers_lines(tmp_path, head, designation):
    path = tmp_path / "comets.txt"
    path.write_text(LINE.format(head, "") + "\n", encoding="utf-8")
    orbits = read_orbits(path)
    assert orbits.designation.tolist() == [designation]
    assert orbits.select(designation).k1 == 10.0


FIELDS = (
    "full_name", "epoch", "e", "q", "i", "om", "w", "tp", "A1", "A2", "A3", "DT", "M1", "K1", "M2", "K2",
    "PC", "orbit_id", "soln_date",
)  # fmt: skip
# 2P in the numbers of the reply of authorities/horizons_comets.csv, its name as the service pads it.
ENCKE = (
    "   2P/Encke", "2459752.5", ".8485141889848308", ".3362300806790429", "11.50170416921873",
    "334.3120522286535", "187.0124965530834", "2460239.0189482248", "3.368033468723E-10",
    "8.548115729354E-12", None, "21.5", "15.6", "4.5", "18.1", "5", ".03", "K232/4", "2024-08-26 10:56:41",
)  # fmt: skip


def _written(folder, form):
    path = folder / f"rows.{form}"
    other = ("   C/2030 X9 (None)", "2461000.5", *["x"] * (len(FIELDS) - 2))
    if form == "json":
        text = json.dumps({"signature": {"version": "1.0"}, "fields": FIELDS, "data": [ENCKE, other]})
    else:
        text = "\n".join(",".join(v or "" for v in row) for row in (FIELDS, ENCKE, other))
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.parametrize("form", ["json", "csv"])
def test_rows_of_jpl_with_outgassing_and_delay(tmp_path, form):
    path = _written(tmp_path, form)
    assert file_kind(path.read_text(encoding="utf-8")) == "rows of JPL's query service"
    orbits = read_orbits(path)
    orbit = orbits.select("Encke")
    assert len(orbits.rejected) == 1
    assert (orbit.designation, orbit.m1, orbit.m2, orbit.pc) == ("2P", 15.6, 18.1, 0.03)
    assert orbit.nongrav == NonGrav(3.368033468723e-10, 8.548115729354e-12, dt_d=21.5)
    recorded = next(row for row in rows(AUTHORITIES / "horizons_comets.csv") if row["designation"] == "2P")
    # Elements and vectors of one reply: they differ by its GM of the Sun alone.
    assert np.abs(orbit.state[:3] - vector(recorded)[:3]).max() < 1e-9


def test_a_delay_moves_the_comet():
    orbit = Orbit.from_elements(
        "2P", 2460239.0, q=0.336, e=0.8485, i=11.5, node=334.3, peri=187.0, tp=2460239.02,
        nongrav=NonGrav(3e-9, 8e-10, dt_d=20.0),
    )  # fmt: skip
    prompt = Orbit.from_state("2P", orbit.epoch_jd_tdb, orbit.state, nongrav=NonGrav(3e-9, 8e-10))
    time = Time("2024-03-01")
    late, early = (predict([one], time, Site.geocentre()) for one in (orbit, prompt))
    assert abs(late["ra"][0] - early["ra"][0]).to_value(u.arcsec) > 0.05


@pytest.mark.parametrize("e", [0.97, 1.0, 1.002])
@pytest.mark.parametrize("after_d", [0.0, -0.3])
def test_an_epoch_at_perihelion_gives_the_same_comet(e, after_d):
    """Elements at perihelion, where the anomaly is zero, and the orbit taken on from three months before."""
    tp, elements = 2461200.5, {"q": 0.2, "e": e, "i": 60.0, "node": 80.0, "peri": 30.0}
    near = Orbit.from_elements("C/2026 X1", tp + after_d, tp=tp, **elements)
    assert near.elements.tp == pytest.approx(tp, abs=1e-6)
    assert near.elements.q == pytest.approx(0.2, abs=1e-12)
    times = Time(tp + np.array([-90.0, 40.0]), format="jd", scale="tdb")
    table = predict([near], times, Site.geocentre())
    ephemeris = NBodyEphemeris([near])
    t_d = np.array([[tp - 90.0 - 2451545.0]])
    start = ephemeris.states(np.array([0]), t_d)[0, 0] - ephemeris._sun(t_d[0])[0]
    again = predict([Orbit.from_state("C/2026 X1", tp - 90.0, start)], times, Site.geocentre())
    assert np.abs(table["dec"] - again["dec"]).to_value(u.mas).max() < 0.1


def _two_comets():
    """One comet with jets of the usual size as truth, and its elements without them."""
    elements = {"q": 1.1, "e": 0.65, "i": 12.0, "node": 80.0, "peri": 30.0, "tp": 2461000.5}
    plain = Orbit.from_elements("988P", 2461000.5, **elements)
    return plain, Orbit.from_state("988P", 2461000.5, plain.state, nongrav=NonGrav(1.6e-9, 5.9e-10))


def test_old_elements_of_a_comet_are_warned_of_by_what_its_jets_do():
    plain, pushed = _two_comets()
    times = Time(["2026-01-20", "2028-03-01"])
    table, truth = (predict([orbit], times, Site.geocentre()) for orbit in (plain, pushed))
    (words,) = table.meta["notes"]
    amount, unit = re.search(r"by about (\d+) (arcsec|arcmin)", words).groups()
    stated = float(amount) * {"arcsec": 1.0, "arcmin": 60.0}[unit]
    off = np.hypot((table["ra"] - truth["ra"]) * np.cos(table["dec"]), table["dec"] - truth["dec"])
    assert 0.5 < stated / off[1].to_value(u.arcsec) < 2.0
    assert "2025-11-21" in words  # the epoch
    assert "orbits update --body 988P" in words


def test_fresh_elements_asteroids_and_covariances_are_not_warned_of():
    plain, _ = _two_comets()
    asteroid = Orbit.from_state("99942", plain.epoch_jd_tdb, plain.state)
    known = Orbit.from_state("988P", plain.epoch_jd_tdb, plain.state, covariance=np.eye(6) * 1e-16)
    for orbit, when in ((plain, "2025-12-20"), (asteroid, "2028-03-01"), (known, "2028-03-01")):
        assert "notes" not in predict([orbit], Time(when), Site.geocentre()).meta


def test_an_old_orbit_of_a_first_apparition_is_warned_of_however_small_its_jets():
    """C/2021 T4: JPL's elements of 2021 were 28 arcsec off in 2024; jets of usual strength make under 1."""
    elements = {"q": 6.5, "e": 1.001, "i": 160, "node": 250, "peri": 330, "tp": 2460157.0}
    far = Orbit.from_elements("C/2021 X1", 2459495.5, **elements)
    (words,) = predict([far], Time("2024-06-01"), Site.geocentre()).meta["notes"]
    assert "an orbit of a first apparition may be off by more" in words
    assert "notes" not in predict([far], Time("2022-03-01"), Site.geocentre()).meta


def test_encounters_say_it_too(tmp_path, capsys):
    """Whoever is told where the comet will be is told how far that can be trusted."""
    out = ["--out", str(tmp_path / "e.ecsv"), "--quiet"]
    words = ["--body", "10P", "--from", "2026-12-15", "--to", "2026-12-20", "--elongation", "0"]
    assert main(["encounters", *words, "--object", "IC 16", *out]) == 0
    assert "10P/Tempel 2: its elements are of 2012-06-17" in capsys.readouterr().err


def test_the_command_says_it(tmp_path, capsys):
    path, out = tmp_path / "comets.txt", str(tmp_path / "out.ecsv")
    line = LINE.format("0988P", "").replace("0.994928", "0.650000").replace("2026 03", "2026 09")
    path.write_text(line + "\n", encoding="utf-8")
    words = ["--orbits", str(path), "--body", "988P", "--site", "geocentre", "--step", "1d", "--out", out]
    assert main(["predict", *words, "--from", "2028-03-01", "--to", "2028-03-01"]) == 0
    assert "a comet's jets shift it" in capsys.readouterr().err
