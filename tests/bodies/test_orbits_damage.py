"""Damaged files of every kind give orbits that are orbits, or an error of our own; never a NaN."""

import importlib.resources

import numpy as np
import pytest

from appulse.bodies.orbit import check_states
from appulse.bodies.readers import read_orbits
from appulse.errors import AppulseError

SCRAPS = ["", " ", "x", "-", "9", ".", "\n", '"', "nan", "{", "}", ",", "0", "e", "1e308"]
ROUNDS = 60


def samples():
    """A text of each kind, by name."""
    bundled = importlib.resources.files("appulse.data")
    replies = importlib.resources.files("astroquery")
    yield "ECSV", (bundled / "starter_massive.ecsv").read_text()
    yield "SBDB", (replies / "jplsbdb" / "tests" / "data" / "ceres.dat").read_text()
    yield "OEF", (replies / "solarsystem" / "neodys" / "tests" / "data" / "2018vp1_eq0.txt").read_text()
    yield "CSV", "designation,epoch,q,e,i,node,peri,tp,H\n7,2461000.5,1.1,0.2,5,10,20,2461050.5,5.5\n"
    yield "MPCORB", "\n".join([
        "00007    5.51  0.15 K118R 111.53561  145.26277  259.65080    5.52306  0.2305428  0.26737788   "
        "2.3862672  0 MPO135420  4443  76 1848-2008 0.60 M-v 38h MPCW       0000"
        "      (7) Iris               20080308"
    ] * 8)  # fmt: skip
    yield "comets", "\n".join([
        "    CJ95O010  1997 03 29.6333  0.916241  0.994928  130.6448  283.3593   88.9908  20200531  "
        "-2.0  4.0  C/1995 O1 (Hale-Bopp)                                    MPC106342"
    ] * 8)  # fmt: skip


def damaged(text, rng):
    """Cut, or with scraps in the place of letters, or with a hole."""
    kind = rng.integers(3)
    at = int(rng.integers(len(text)))
    if kind == 0:
        return text[:at]
    if kind == 1:
        return text[:at] + text[at + int(rng.integers(1, 200)) :]
    letters = list(text)
    for place in rng.integers(len(letters), size=rng.choice([1, 2, 10])):
        letters[place] = str(rng.choice(SCRAPS))
    return "".join(letters)


@pytest.mark.parametrize(("kind", "text"), list(samples()), ids=[kind for kind, _ in samples()])
def test_damage(tmp_path, kind, text):
    rng, path = np.random.default_rng(len(text)), tmp_path / "orbits.txt"
    usable = 0
    for _ in range(ROUNDS):
        path.write_text(damaged(text, rng), encoding="utf-8")
        try:
            catalogue = read_orbits(path)
        except AppulseError:
            continue
        usable += 1
        assert np.isfinite(catalogue.state).all()
        assert len(check_states(catalogue.state, catalogue.epoch_jd_tdb)) == 0
    assert 0 < usable < ROUNDS or kind in ("MPCORB", "comets")  # lists lose lines, seldom all of them
