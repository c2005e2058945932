"""Nights for others: what goes out, what comes in, and that no output gives a private place away."""

import re

import numpy as np
import pytest
import yaml

from appulse.astrometry.parallax import example_sightings
from appulse.cli.main import main
from appulse.formats import make_table, read_table, write_residuals
from appulse.observers import Site

LON, LAT, HEIGHT = 20.51739, -23.08461, 1263.0
PLACE = f"{LON},{LAT},{HEIGHT:g}"


def residuals_of(sightings):
    """A residual table of a private site, as measured frames give it."""
    return make_table([
        {"frame": f"orchard_{k}.fits", "time": s.time.utc.isot, "designation": "433", "ra_obs": s.ra_deg,
         "dec_obs": s.dec_deg, "sigma_ra": 0.1, "sigma_dec": 0.1, "corr_ra_dec": 0.0, "plate_dra": 0.0,
         "plate_ddec": 0.0, "sigma_plate_ra": 0.03, "sigma_plate_dec": 0.03, "n_stars": 30, "flag": ""}
        for k, s in enumerate(sightings)
    ])  # fmt: skip


@pytest.fixture(scope="module")
def nights(tmp_path_factory):
    """Residual tables of two private sites of one body 0.25 au away."""
    folder = tmp_path_factory.mktemp("private")
    sites = {"orchard": Site.from_geodetic(LON, LAT, HEIGHT), "b": Site.from_geodetic(8.5, 50.0, 120)}
    seen = example_sightings(sites, distance_au=0.25, sigma_arcsec=0.1, seed=4, count=4)
    for name in sites:
        table = residuals_of([s for s in seen if s.site == name])
        write_residuals(table, folder / f"{name}.ecsv")
    return folder


def share(nights, name, site, out, *more):
    words = ["together", str(nights / f"{name}.ecsv"), "--body", "433", "--site", site]
    return main([*words, "--for-others", str(out), *more])


def test_a_shared_night_gives_the_distance_with_its_rounding_as_an_error(nights, tmp_path, capsys):
    assert share(nights, "b", "8.5,50,120", tmp_path / "theirs.ecsv", "--observer-km", "200") == 0
    assert share(nights, "b", "8.5,50,120", tmp_path / "exact.ecsv", "--disclose-site") == 0
    found = {}
    for name in ("theirs", "exact"):
        words = ["together", str(nights / "orchard.ecsv"), str(tmp_path / f"{name}.ecsv"), "--body", "433"]
        assert main([*words, "--site", PLACE, "--out", str(tmp_path / f"d_{name}")]) == 0
        found[name] = yaml.safe_load((tmp_path / f"d_{name}/distance.yaml").read_text("utf-8"))
    for one in found.values():
        off = (one["inverse_distance_per_au"] - 4.0) / one["sigma_inverse_distance_per_au"]
        assert abs(off) < 3.5
    key = "sigma_inverse_distance_per_au"
    assert found["theirs"][key] > 1.3 * found["exact"][key]
    assert any("rounded to 200 km" in words for words in found["theirs"]["notes"])


def test_the_mean_of_a_shared_night_does_not_undo_its_rounding(nights, tmp_path, capsys):
    """All vectors are those of one rounded place: its coordinates are all that anybody can get."""
    assert share(nights, "orchard", PLACE, tmp_path / "mine.ecsv", "--observer-km", "100") == 0
    # 0.1 arcsec at 1 au is 72.5 km: so much is in the places themselves
    assert "about 73 km for each au of its distance" in capsys.readouterr().err
    table = read_table(tmp_path / "mine.ecsv")
    true = np.array(Site.from_geodetic(LON, LAT, HEIGHT).itrs_m) / 1000.0
    heights = np.asarray(table["observer_z"], float)
    assert np.ptp(heights) < 30.0
    rounded = np.round(true / 100.0) * 100.0
    assert np.linalg.norm(rounded) == pytest.approx(
        np.linalg.norm([np.asarray(table[f"observer_{axis}"], float)[0] for axis in "xyz"]), abs=0.01
    )
    assert abs(np.linalg.norm(rounded) - np.linalg.norm(true)) > 1.0


def test_what_is_missing_is_said_at_once(nights, tmp_path, capsys):
    assert share(nights, "b", "8.5,50,120", tmp_path / "good.ecsv") == 0
    table = read_table(tmp_path / "good.ecsv")

    def run(changed):
        path = tmp_path / "changed.ecsv"
        changed.write(path, format="ascii.ecsv", overwrite=True)
        words = ["together", str(nights / "orchard.ecsv"), str(path), "--body", "433", "--site", PLACE]
        code = main([*words, "--out", str(tmp_path / "o"), "--overwrite"])
        streams = capsys.readouterr()
        return code, streams.out + streams.err

    lacking = table.copy()
    lacking.remove_columns(["observer_x", "ra"])
    code, said = run(lacking)
    assert code == 2
    assert "it lacks ra, observer_x" in said
    bad = table.copy()
    bad["dec"][0], bad["observer_y"][1] = 123.0, np.nan
    code, said = run(bad)
    assert code == 2
    assert "dec outside" in said
    assert "no observer's vector in 1 of" in said
    plain = table.copy()
    plain.remove_columns(["sigma_ra", "sigma_plate"])
    code, said = run(plain)
    assert code == 0
    assert "no sigma_ra, sigma_plate" in said
    assert "state no sigma" in said
    words = table.copy()
    words["observer_z"] = [f"z{k}" for k in range(len(words))]
    words["ra"].unit = "km"
    code, said = run(words)
    assert code == 2
    assert "ra is not a column of numbers" in said
    assert "observer_z is not a column of numbers" in said
    unsaid = table.copy()
    unsaid.meta["observer_rounded_km"] = "roughly"
    code, said = run(unsaid)
    assert code == 0
    assert "rounded to 1000 km" in said
    assert share(nights, "b", "8.5,50,120", tmp_path / "x.ecsv", "--observer-km", "0.1") == 2
    assert "1 to 1000 km" in capsys.readouterr().err


def secrets():
    """The place in every form that an output could hold it."""
    site = Site.from_geodetic(LON, LAT, HEIGHT)
    found = ["orchard", f"{HEIGHT:.0f}", "20.52", "20.51", "-23.08", "-23.09"]
    found += ["20d31", "20:31", "-23:05", "23d05"]
    for metres in site.itrs_m:
        found += [
            f"{abs(metres):.0f}",
            f"{abs(metres) / 1000:.0f}.",
            f"{abs(metres) / 1.495978707e11:.6e}"[:6],
        ]
    return found + [f"{np.radians(value):.4f}" for value in (LON, LAT)]


def leaks(folder) -> list[tuple]:
    """Files below a folder with a form of the place in their bytes."""
    return [
        (path.name, secret)
        for path in folder.rglob("*")
        if path.is_file() and path.suffix != ".png"
        for secret in secrets()
        if re.search(rf"(?<![\d.]){re.escape(secret)}", path.read_text("utf-8", errors="replace"))
    ]


def test_no_output_gives_the_place_away(nights, tmp_path, capsys):
    """Everything that the joint commands write and print, searched for the private site's coordinates."""
    out = tmp_path / "out"
    assert share(nights, "orchard", PLACE, out / "mine.ecsv") == 0
    assert share(nights, "b", "8.5,50,120", tmp_path / "theirs.ecsv") == 0
    pair = [str(nights / "orchard.ecsv"), str(tmp_path / "theirs.ecsv"), "--body", "433", "--site", PLACE]
    assert main(["together", *pair, "--out", str(out / "distance")]) == 0
    more = ["--field", "60,40", "--nights-to-come", "2", "--out", str(out / "found")]
    assert main(["first-orbit", *pair, *more]) == 0
    shown = ["--from-sites", PLACE, "--from-sites", "8.5,50,120", "--map", str(out / "earth.png")]
    body = ["--body", "7", "--object", "IC 4603", "--from", "2027-05-01", "--to", "2027-05-09"]
    assert main(["encounters", *body, *shown, "--out", str(out / "passes.ecsv")]) == 0
    (out / "printed.txt").write_text(capsys.readouterr().out.replace(str(nights), ""), encoding="utf-8")
    assert len(list(out.rglob("*.*"))) >= 8
    assert leaks(out) == []
    # the search itself finds what is there
    assert share(nights, "orchard", PLACE, tmp_path / "open/mine.ecsv", "--disclose-site") == 0
    (tmp_path / "open/note.txt").write_text(f"lon {LON}", encoding="utf-8")
    assert leaks(tmp_path / "open")
