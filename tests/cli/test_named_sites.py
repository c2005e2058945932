"""Sites and instruments of the settings file by their names, and what of a private place comes out."""

import re
import zlib

import pytest
import yaml
from astropy.io import fits
from astropy.table import Table
from icalendar import Calendar

from appulse.cli.main import main
from appulse.errors import InputError, SiteError
from appulse.formats.settings import site_of

LON, LAT, HEIGHT = 16.123456, -23.654321, 1837.4
SETTINGS = f"""
sites:
  - {{name: Odd Roof, place: [{LON}, {LAT}, {HEIGHT}], time_zone: Africa/Windhoek, lowest: 20}}
  - {{name: open, place: [{LON}, {LAT}, {HEIGHT}], private: false}}
instruments:
  - {{name: small, aperture_mm: 60, focal_length_mm: 300, pixel_um: 12, sensor_px: [600, 400]}}
"""
PASS = "7-IC4603-20270504"


@pytest.fixture
def kept(tmp_path, monkeypatch):
    """A settings file with a private and a public site at odd coordinates."""
    path = tmp_path / "settings.yaml"
    path.write_text(SETTINGS, encoding="utf-8")
    monkeypatch.setenv("APPULSE_SETTINGS", str(path))
    return path


def test_names_codes_and_coordinates(kept):
    assert site_of("Odd Roof").geodetic == pytest.approx((LON, LAT, HEIGHT))
    assert site_of("odd roof").name == "Odd Roof"
    assert site_of("X05").code == "X05"
    assert site_of("geocentre").is_geocentre
    assert site_of("1,2,3").geodetic == pytest.approx((1, 2, 3))


def test_an_unknown_name_lists_the_known(kept):
    with pytest.raises(SiteError, match="sites known by name: Odd Roof, open"):
        site_of("cellar")


def test_without_settings_it_is_said_where_they_would_be(tmp_path, monkeypatch):
    monkeypatch.setenv("APPULSE_SETTINGS", str(tmp_path / "none.yaml"))
    with pytest.raises(SiteError, match="no site has a name in the settings file"):
        site_of("cellar")


def test_broken_settings_are_told_but_not_needed_for_coordinates(kept):
    kept.write_text("sites: [", encoding="utf-8")
    with pytest.raises(InputError, match=r"settings\.yaml"):
        site_of("Odd Roof")
    assert site_of("1,2,3").name == "site"


def test_predict_and_search_from_a_named_site(kept, tmp_path, capsys):
    span = ["--from", "2027-05-04T20:00", "--to", "2027-05-04T21:00"]
    tables = []
    for site in ("Odd Roof", f"{LON},{LAT},{HEIGHT}"):
        out = tmp_path / f"{len(tables)}.ecsv"
        assert main(["predict", "--body", "7", *span, "--step", "1h", "--site", site, "--out", str(out)]) == 0
        tables.append(Table.read(out))
        assert not leaks(out.read_bytes())
    assert list(tables[0]["ra"]) == list(tables[1]["ra"])
    assert "seen from Odd Roof" in capsys.readouterr().out
    out = tmp_path / "passes.ecsv"
    words = [
        "encounters",
        "--body",
        "7",
        "--object",
        "IC 4603",
        "--from",
        "2027-05-01",
        "--to",
        "2027-05-08",
    ]
    assert main([*words, "--site", "Odd Roof", "--out", str(out)]) == 0
    assert Table.read(out).meta["options"]["observer"] == "Odd Roof"
    assert not leaks(out.read_bytes())


def test_a_frame_at_a_named_site(kept, sample_data, capsys):
    frame = str(sample_data / "iris_1.fits.fz")
    main(["frame", frame, "--site", "Odd Roof"])
    said = capsys.readouterr().out
    assert "Odd Roof: about longitude +16.1" in said
    assert not leaks(said.encode())
    main(["frame", frame, "--site", "open"])
    assert f"{LON:+.5f}" in capsys.readouterr().out


def leaks(content):
    """Numbers in a file's bytes that give longitude, latitude or height nearer than a kilometre."""
    found = []
    for match in re.findall(rb"(?<![\d.])[-+]?\d+\.\d{3,}", content):
        value = abs(float(match))
        found += [match for true in (LON, abs(LAT)) if abs(value - true) < 2e-3]
    return found + re.findall(rb"(?<![\d.])1837(?![\d])", content)


def uncompressed(pdf):
    """A PDF's bytes with its streams unpacked."""
    parts = [pdf]
    for stream in re.findall(rb"stream\r?\n(.*?)endstream", pdf, re.DOTALL):
        try:
            parts.append(zlib.decompress(stream.rstrip(b"\r\n")))
        except zlib.error:
            continue
    return b"\n".join(parts)


@pytest.fixture(scope="module")
def planned(tmp_path_factory):
    """The files of a plan from the private site with the settings' instrument, neither in the campaign."""
    folder = tmp_path_factory.mktemp("private")
    (folder / "settings.yaml").write_text(SETTINGS, encoding="utf-8")
    (folder / "campaign.yaml").write_text(
        "dates: {from: 2027-05-01, to: 2027-05-08}\nsites: [Odd Roof]\nbodies: {names: [7]}\n"
        "targets: {names: [IC 4603]}\n",
        encoding="utf-8",
    )
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("APPULSE_SETTINGS", str(folder / "settings.yaml"))
        campaign, out = str(folder / "campaign.yaml"), folder / "plan"
        assert main(["encounters", campaign, "--out", str(folder / "plan" / "passes.ecsv")]) == 0
        words = ["--encounter", PASS, "--instrument", "small", "--out", str(out)]
        assert main(["plan", campaign, *words]) == 0
        words = [
            "--encounter",
            PASS,
            "--instrument",
            "small",
            "--site",
            "open",
            "--out",
            str(folder / "open"),
        ]
        assert main(["plan", campaign, *words]) == 0
    return folder


def test_no_file_of_a_plan_tells_the_place(planned):
    files = [path for path in (planned / "plan").iterdir() if path.suffix != ".png"]
    assert len(files) == 8
    for path in files:
        content = path.read_bytes()
        assert not leaks(uncompressed(content) if path.suffix == ".pdf" else content), path.name


def test_the_search_for_leaks_finds_one():
    assert leaks(b"at 16.1234 E")
    assert leaks(b"h = 1837 m")
    assert not leaks(b"about 16.12 E")


def test_times_are_whole_minutes_of_no_longitude(planned):
    """A night that began at the site's own noon would give its longitude to every digit of the seconds."""
    plan = yaml.safe_load((planned / "plan" / "plan.yaml").read_text())
    for key in ("begin_utc", "end_utc"):
        assert plan[key].endswith(":00.000")
        assert int(plan[key][14:16]) % 5 == 0
    for event in Calendar.from_ical((planned / "plan" / "passes.ics").read_bytes()).walk("VEVENT"):
        assert event.decoded("dtstart").second == 0


def test_the_preview_stands_at_a_rounded_place_or_where_the_user_allows_it(planned):
    header = fits.getheader(planned / "plan" / "preview.fits")
    assert (header["OBSGEO-L"], header["OBSGEO-B"], header["OBSGEO-H"]) == (16.12, -23.65, 1800.0)
    header = fits.getheader(planned / "open" / "preview.fits")
    assert header["OBSGEO-L"] == pytest.approx(LON, abs=1e-6)
    assert header["OBSGEO-B"] == pytest.approx(LAT, abs=1e-6)


def test_altitudes_of_a_plan_fit_the_rounded_place_not_the_true_one(planned):
    """What is drawn could be fitted for the place; so it is computed from the rounded one."""
    from appulse.formats.settings import read_settings

    shown = read_settings(planned / "settings.yaml").site("Odd Roof").shown.place.geodetic
    assert shown == pytest.approx((16.12, -23.65, 1800.0))
    plan = yaml.safe_load((planned / "plan" / "plan.yaml").read_text())
    for figure in plan["figures"].values():
        if isinstance(figure["value"], float):
            assert figure["value"] == float(f"{figure['value']:.6g}")
