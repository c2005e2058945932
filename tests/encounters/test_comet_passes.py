"""Comets' tails across objects: found far from the nucleus, timed; plans for what is spread."""

import numpy as np
import pytest
import yaml
from astropy.table import Table
from astropy.time import Time

from appulse.bodies import NBodyEphemeris, comet_tail, dust_fans, read_orbits
from appulse.catalogues import Outline
from appulse.cli.main import main
from appulse.encounters import PassSearch, Targets, find_passes
from appulse.encounters.comet_pass import DustFans
from appulse.numerics import radec_from_unit
from appulse.observers import Site
from appulse.workflows import plan_capture

ORBIT = (
    "designation,name,epoch,q,e,i,node,peri,tp,M1,K1\n"
    "C/2026 X1,Invented,2461400.5,0.7,1.0,110,40,20,2461430.5,5.5,10\n"
)
WHEN = Time("2027-01-13T05:00:00")


@pytest.fixture(scope="module")
def orbit_file(tmp_path_factory):
    path = tmp_path_factory.mktemp("comet") / "comet.csv"
    path.write_text(ORBIT, encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def comet(orbit_file):
    return read_orbits(orbit_file)


def _object(name, ra, dec):
    return Outline(name=name, ra=ra % 360.0, dec=dec, kind="point", object_type="galaxy", source="invented")


def _passes(comet, *objects, **more):
    search = PassSearch(
        Targets.from_outlines(list(objects)), Time("2027-01-05"), Time("2027-01-21"), Site.geocentre(), 10.0,
        **more,
    )  # fmt: skip
    return {found.target.name: found for found in find_passes(comet, search)}


@pytest.fixture(scope="module")
def places(comet):
    """An object two degrees out on the antisolar line, and one as far on the other side."""
    tail = comet_tail(NBodyEphemeris(comet), "C/2026 X1", WHEN, Site.geocentre(), dust=False)
    tick = next(tick for tick in tail.ticks if tick.label == "2\u00b0")
    return tail, (tick.ra, tick.dec), (2 * tail.ra - tick.ra, 2 * tail.dec - tick.dec)


def test_what_the_tail_lies_across_is_found_and_timed(comet, places):
    tail, on, off = places
    found = _passes(comet, _object("ahead", *on), _object("behind", *off))
    assert list(found) == ["ahead"]
    seen = found["ahead"]
    assert seen.separation_arcsec > 10 * 60
    assert seen.tail.words.startswith("its tail lies across ahead")
    t_d = WHEN.tdb.jd - 2451545.0
    assert seen.tail.begins_d < t_d < seen.tail.ends_d
    assert seen.tail.tail_arcmin / 60.0 == pytest.approx(tail.length_deg, rel=0.2)


def test_dust_beside_the_antisolar_direction_counts(comet, places):
    """Grains of beta 0.3, forty days old, lie 35 degrees to the side of it: no wedge would hold them."""
    tail, on, _ = places
    grain = dust_fans(NBodyEphemeris(comet), 0, WHEN, Site.geocentre())[2][0, 2, 5]
    ra, dec = radec_from_unit(grain)
    mirrored = 2 * tail.ra - ra, 2 * tail.dec - dec
    found = _passes(comet, _object("dust", ra, dec), _object("ahead", *on), _object("nothing", *mirrored))
    assert set(found) == {"dust", "ahead"}
    seen = found["dust"].tail
    assert seen.words.startswith("its tail lies across dust")
    assert seen.shape == "dust and ion tail"
    # Seen from south of its orbit the dust lags to the east of the antisolar direction.
    first, last = seen.dust_pa
    assert first - 15.0 < seen.tail_pa < last
    assert 20.0 < last - first < 90.0


def test_without_dust_a_wedge_stands_for_the_tail(comet, places, monkeypatch):
    monkeypatch.setattr(DustFans, "_follow", lambda self, t_d: [None] * len(t_d))
    seen = _passes(comet, _object("ahead", *places[1]))["ahead"].tail
    assert seen.shape == "wedge of 15 degrees"
    assert np.isnan(seen.dust_pa).all()


def test_a_short_tail_of_the_users_does_not_reach(comet, places):
    assert _passes(comet, _object("ahead", *places[1]), tail_deg=0.5) == {}
    found = _passes(comet, _object("ahead", *places[1]), tail_deg=3.0)["ahead"]
    assert found.tail.tail_arcmin == pytest.approx(180.0)


def test_other_bodies_and_faint_comets_have_no_tail(places):
    faint = ORBIT.replace(",5.5,10", ",15.0,10")
    import tempfile
    from pathlib import Path

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "faint.csv"
        path.write_text(faint, encoding="utf-8")
        comet = read_orbits(path)
    tail, on, _ = places
    near = _object("near", tail.ra, tail.dec)
    found = _passes(comet, near, _object("ahead", *on))
    assert list(found) == ["near"]
    assert found["near"].tail is None


def test_the_command_says_it_and_the_plan_leaves_room(orbit_file, tmp_path, capsys):
    out = tmp_path / "e.ecsv"
    words = ["--orbits", str(orbit_file), "--body", "C/2026 X1", "--elongation", "0", "--out", str(out)]
    words += ["--quiet", "--from", "2027-01-27", "--to", "2027-01-30", "--object", "IC 1444"]
    assert main(["encounters", *words]) == 0
    assert "its tail lies across IC 1444" in capsys.readouterr().out
    table = Table.read(out)
    assert table["tail_distance"][0] == 0.0
    assert table["tail_shape"][0] == "dust and ion tail"
    assert table["separation"][0] > 3600.0
    campaign = tmp_path / "comet.yaml"
    campaign.write_text(
        "title: comet\n"
        "dates: {from: 2027-01-25, to: 2027-02-01}\n"
        f"bodies: {{orbits: ['{orbit_file}']}}\n"
        "targets: {names: [IC 1444]}\n"
        "passes: {least_elongation: 0}\n"
        "sites: [{name: hosted, place: [10.5, 48.0, 500], time_zone: Europe/Berlin, private: false}]\n"
        "instruments:\n"
        "  - {name: long, aperture_mm: 70, focal_length_mm: 350, pixel_um: 24.4, sensor_px: [400, 300],\n"
        "     mount: equatorial}\n"
        "  - {name: wide, aperture_mm: 50, focal_length_mm: 85, pixel_um: 24.4, sensor_px: [400, 300],\n"
        "     mount: equatorial}\n",
        encoding="utf-8",
    )
    wide = plan_capture(campaign, "C2026X1-IC1444-20270128", instrument="wide")
    assert str(wide.plan.figures["fits"]).endswith("and the tail")
    out = tmp_path / "long"
    words = ["--instrument", "long", "--encounter", "C2026X1-IC1444-20270128", "--out", str(out), "--quiet"]
    assert main(["plan", str(campaign), *words]) == 0
    plan = yaml.safe_load((out / "plan.yaml").read_text(encoding="utf-8"))
    figures = plan["figures"]
    assert "leaves room on its side" in figures["fits"]["value"]
    # The mean of a disc is its magnitude over its area; half a minute does not blur it.
    area = np.pi * (figures["coma"]["value"] * 30.0) ** 2
    magnitude = figures["mag"]["value"]
    assert figures["coma_surface"]["value"] == pytest.approx(magnitude + 2.5 * np.log10(area), abs=0.01)
    assert figures["coma_blur"]["value"] * 60.0 > figures["exposure"]["value"]
    # A diffuse coma fills a pixel later than a star of its magnitude would.
    assert figures["saturation_limit"]["value"] > 1.0
    assert plan["tail"]["position_angle"] == pytest.approx(45.0, abs=2.0)


def test_dust_of_all_passes_is_followed_together(comet, places, monkeypatch):
    """Grain by grain and moment by moment it cost three times as much as the search itself."""
    asked, follow = [], DustFans._follow
    monkeypatch.setattr(DustFans, "_follow", lambda fans, t_d: asked.append(len(t_d)) or follow(fans, t_d))
    tail, on, _ = places
    _passes(comet, _object("ahead", *on), _object("near", tail.ra, tail.dec))
    assert len(asked) == 1
    assert asked[0] > 3
