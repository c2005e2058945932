"""``appulse residuals --observations`` of spacecraft and of observers on the move: their own places count."""

import numpy as np
import pytest
from astropy.time import TimeDelta

from appulse.bodies.designations import pack
from appulse.bodies.ephemeris import NBodyEphemeris
from appulse.bodies.readers import read_orbits
from appulse.cli.main import main
from appulse.constants import AU_KM
from appulse.formats.ades.files import AdesBlock, ades_psv, ades_xml
from appulse.formats.obs80 import format_obs80, from_ades
from appulse.formats.residual_table import read_residuals
from appulse.observers.site import Site, SpacecraftVector
from appulse.observers.timescales import parse_utc

OFF_ARCSEC = 0.4
"""Put in, northwards."""
TOL_DIGITS_ARCSEC = {"psv": 2e-4, "xml": 2e-4, "txt": 0.012}
"""Half of a last digit: 1e-8 deg; 0.001 s and 0.01 arcsec."""
NEAR_KM = np.array(
    [[-4574.7534, -4733.3266, -2111.9333], [6100.25, -900.5, 3200.125], [120.5, 6899.25, -10.75]]
)
FAR_AU = np.array([[0.0098, -0.0021, 0.0011], [0.0095, -0.0030, 0.0009], [-0.0101, 0.0002, -0.0004]])
GROUND = np.array([[289.2, -23.0, 2400.0], [20.5, -22.9, 1250.0], [0.0, 51.5, 46.0]])
KINDS = {
    "ICRF_KM": (NEAR_KM, "C51", "{:+.4f}"), "ICRF_AU": (FAR_AU, "C57", "{:+.8f}"),
    "WGS84": (GROUND, "247", "{:.6f}"),
}  # fmt: skip


def observer(system, place, time):
    if system == "WGS84":
        return Site.from_geodetic(*place)
    au = place / AU_KM if system == "ICRF_KM" else place
    return SpacecraftVector("craft", time, tuple(au), (0.0, 0.0, 0.0), "earth", KINDS[system][1])


def seen_from(system, orbits):
    """Three places of (7) as seen from each place, as the orbit has them and a little to the north."""
    engine, rows = NBodyEphemeris(read_orbits(orbits)), []
    places, station, form = KINDS[system]
    for k, place in enumerate(places):
        time = parse_utc("2027-05-04T21:00:00") + TimeDelta(0.1 * k, format="jd")
        time.precision = 3
        row = engine.at(time, observer(system, place, time))[0]
        pos = {f"pos{i + 1}": form.format(value) for i, value in enumerate(place)}
        rows.append({
            "permID": "7", "mode": "CCD", "stn": station, "sys": system, "ctr": "399", **pos,
            "obsTime": f"{time.utc.isot}Z", "ra": f"{row['ra'].value:.8f}", "rmsRA": "0.01", "rmsDec": "0.01",
            "dec": f"{row['dec'].value + OFF_ARCSEC / 3600:.8f}", "astCat": "Gaia3",
        })  # fmt: skip
    return rows


def write(rows, path):
    if path.suffix != ".txt":
        block = AdesBlock([("observatory", [("mpcCode", rows[0]["stn"])])], rows)
        text = ades_xml([block]) if path.suffix == ".xml" else ades_psv([block])
        path.write_text(text, encoding="utf-8")
        return path
    packed = pack("7")
    lines = [line for row in rows for line in format_obs80(from_ades(row, packed[:5], packed[5:]))]
    assert len(lines) == 2 * len(rows)
    path.write_text("\n".join(lines) + "\n", encoding="ascii")
    return path


@pytest.mark.parametrize("form", ["psv", "xml", "txt"])
@pytest.mark.parametrize("system", KINDS)
def test_places_from_where_the_observer_was(sample_data, tmp_path, form, system):
    path = write(seen_from(system, sample_data / "orbit.ecsv"), tmp_path / f"seen.{form}")
    words = ["--observations", str(path), "--orbits", str(sample_data / "orbit.ecsv")]
    assert main(["residuals", *words, "--out", str(tmp_path / "m")]) == 0
    table = read_residuals(tmp_path / "m" / "residuals.ecsv")
    assert len(table) == len(KINDS[system][0])
    tolerance = TOL_DIGITS_ARCSEC[form]
    np.testing.assert_allclose(table["ddec"], OFF_ARCSEC, atol=tolerance)
    np.testing.assert_allclose(table["dra_cosdec"], 0.0, atol=tolerance)


def test_the_place_is_what_makes_it_agree(sample_data, tmp_path):
    """The same numbers from the Earth's centre are off by the parallax: the test above could fail."""
    rows = seen_from("ICRF_AU", sample_data / "orbit.ecsv")
    path = write([row | {"pos1": "0", "pos2": "0", "pos3": "0"} for row in rows], tmp_path / "seen.psv")
    words = ["--observations", str(path), "--orbits", str(sample_data / "orbit.ecsv")]
    main(["residuals", *words, "--out", str(tmp_path / "m")])
    table = read_residuals(tmp_path / "m" / "residuals.ecsv")
    assert np.all(np.hypot(table["dra_cosdec"], table["ddec"]) > 60.0)


def test_half_a_pair_costs_only_itself(sample_data, tmp_path, capsys):
    path = write(seen_from("ICRF_KM", sample_data / "orbit.ecsv"), tmp_path / "seen.txt")
    lines = path.read_text(encoding="ascii").splitlines()
    path.write_text("\n".join(lines[:-1]) + "\n", encoding="ascii")
    words = ["--observations", str(path), "--orbits", str(sample_data / "orbit.ecsv")]
    assert main(["residuals", *words, "--out", str(tmp_path / "m")]) == 1
    assert len(read_residuals(tmp_path / "m" / "residuals.ecsv")) == 2
    last = capsys.readouterr().err.splitlines()[-1]
    assert last.startswith("appulse: 3 observations: 2 compared, 1 failed: line 5 (note 2 is S, ")


def test_a_spacecraft_without_its_place_is_flagged(sample_data, tmp_path):
    rows = seen_from("ICRF_KM", sample_data / "orbit.ecsv")
    gone = ("sys", "ctr", "pos1", "pos2", "pos3")
    rows[1] = {name: text for name, text in rows[1].items() if name not in gone}
    path = write(rows, tmp_path / "seen.psv")
    words = ["--observations", str(path), "--orbits", str(sample_data / "orbit.ecsv")]
    assert main(["residuals", *words, "--out", str(tmp_path / "m")]) == 1
    table = read_residuals(tmp_path / "m" / "residuals.ecsv")
    assert ["not judged" in flag for flag in table["flag"]] == [False, True, False]
