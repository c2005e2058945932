"""ADES files: valid under the standard's own schemas, read back without loss."""

from importlib import resources

import numpy as np
import pytest
from astropy.time import Time

from appulse.errors import OutputExistsError, SiteError, TableError
from appulse.formats.ades.build import AdesHeader, build_blocks, decimals_for, write_ades_psv, write_ades_xml
from appulse.formats.ades.files import AdesBlock, ades_psv, ades_xml, read_ades
from appulse.formats.residual_table import make_table
from appulse.observers.site import Site, SpacecraftVector

etree = pytest.importorskip("lxml.etree")
ades_package = pytest.importorskip("ades")

HOME = Site.from_geodetic(-70.8, -23.0, 2400.0, name="invented hill")
CRAFT = SpacecraftVector(
    "far telescope", Time("2027-05-05T03:00:00"), (0.004, -0.009, 0.002), (0, 0, 0), "earth", "C51"
)
HEADER = AdesHeader(
    mpc_code="X05", submitter="A. Nonym", measurers=("A. Nonym", "B. Nonym"), design="reflector",
    aperture_m=0.25, detector="CMOS", telescope="short one", f_ratio=3.6, observers=("A. Nonym",),
    comments=("one more line",), observatory="a name", institution="none", pixel_scale=3.6,
)  # fmt: skip


def schema(name):
    path = resources.files("ades") / "data" / "xsd" / f"{name}.xsd"
    return etree.XMLSchema(etree.fromstring(path.read_bytes()))


@pytest.fixture(scope="module")
def schemas():
    return {name: schema(name) for name in ("submit", "general")}


def row(**changes):
    values = {
        "frame": "a.fits", "time": "2027-05-05T03:00:00.250", "designation": "7", "ra_obs": 246.35,
        "dec_obs": -24.4, "ra_calc": 246.3501, "dec_calc": -24.4, "dra_cosdec": -0.33, "ddec": 0.02,
        "sigma_ra": 0.12, "sigma_dec": 0.08, "corr_ra_dec": 0.2, "plate_dra": 0.36, "plate_ddec": -0.18,
        "sigma_plate_ra": 0.05, "sigma_plate_dec": 0.05, "dra_plate": -0.69, "ddec_plate": 0.2, "n_stars": 41,
        "snr": 85.0, "rate": 29.0, "exposure": 240.0, "mag_obs": 10.02, "sigma_mag": 0.03, "flag": "",
    }  # fmt: skip
    return values | changes


def table(*rows):
    return make_table(rows or [row()], {"ades_code": "Gaia3"})


def check(validator, text):
    if not validator.validate(etree.fromstring(text.encode())):
        raise AssertionError("\n".join(str(error) for error in validator.error_log))


DESIGNATIONS = (
    "7",
    "(7)",
    "7 Iris",
    "2020 AB12",
    "C/2023 A3",
    "67P",
    "A898 PA",
    "2040 P-L",
    "odd name!",
    "0012345",
)


@pytest.mark.parametrize("name", ["psv", "xml"])
@pytest.mark.parametrize("options", [
    {}, {"observers": HOME, "disclose_site": True}, {"observers": CRAFT},
    {"observers": Site.from_mpc_code("W84")},
    {"header": HEADER, "band": "G", "phot_cat": "Gaia3"}, {"plate": "as solved", "mode": "CMO"},
])  # fmt: skip
def test_observations_pass_the_submission_schema(tmp_path, schemas, name, options):
    rows = [row(designation=d) for d in DESIGNATIONS] + [row(ra_obs=None, dec_obs=None, flag="not seen")]
    path = tmp_path / f"a.{name}"
    {"psv": write_ades_psv, "xml": write_ades_xml}[name](table(*rows), path, **options)
    blocks = read_ades(path)
    assert sum(len(block.rows) for block in blocks) == len(DESIGNATIONS)
    check(schemas["submit"], ades_xml(blocks))


def test_the_standards_own_converter_reads_the_psv(tmp_path, schemas):
    from ades.psvtoxml import psvtoxml

    write_ades_psv(table(), tmp_path / "a.psv", HEADER, band="G")
    psvtoxml(str(tmp_path / "a.psv"), str(tmp_path / "a.xml"))
    check(schemas["submit"], (tmp_path / "a.xml").read_text())


def test_residuals_pass_the_general_schema_only(schemas):
    text = ades_xml(build_blocks(table(), HEADER, with_residuals=True, orbit_id="mine"))
    check(schemas["general"], text)
    assert not schemas["submit"].validate(etree.fromstring(text.encode()))
    assert "<resRA>-0.6900</resRA>" in text
    assert "<sigRA>0.1300</sigRA>" in text


@pytest.mark.parametrize("changes", [
    {"ra_obs": 359.9999999999, "plate_dra": None, "plate_ddec": None}, {"ra_obs": 0.0, "dec_obs": 0.0},
    {"dec_obs": 89.99}, {"dec_obs": -0.00001}, {"sigma_ra": 1e-6, "sigma_dec": 1e-6}, {"sigma_ra": 900.0},
    {"corr_ra_dec": 1.0}, {"sigma_time": 0.004}, {"sigma_time": 30.0}, {"snr": 0.4}, {"exposure": 86400.0},
    {"flag": "saturated | odd"}, {"sigma_ra": None, "sigma_dec": None, "corr_ra_dec": None}, {"rate": None},
    {"dra_plate": 123456.0},
])  # fmt: skip
def test_odd_values_stay_valid(schemas, changes):
    check(schemas["submit"], ades_xml(build_blocks(table(row(**changes)))))
    check(schemas["general"], ades_xml(build_blocks(table(row(**changes)), with_residuals=True)))


def test_the_stars_offset_is_taken_off_and_its_error_added(tmp_path):
    write_ades_psv(table(), tmp_path / "a.psv")
    found = read_ades(tmp_path / "a.psv")[0].rows[0]
    dec = -24.4 + 0.18 / 3600
    assert float(found["dec"]) == pytest.approx(dec, abs=1e-6)
    assert float(found["ra"]) == pytest.approx(246.35 - 0.36 / 3600 / np.cos(np.radians(dec)), abs=1e-6)
    assert float(found["rmsRA"]) == pytest.approx(0.13, abs=1e-4)
    assert float(found["rmsCorr"]) == pytest.approx(
        0.2 * 0.12 * 0.08 / (0.13 * np.hypot(0.08, 0.05)), abs=1e-4
    )
    assert found["astCat"] == "Gaia3"


def test_a_place_by_the_plate_alone_names_no_catalogue(tmp_path):
    write_ades_psv(table(), tmp_path / "a.psv", plate="as solved")
    found = read_ades(tmp_path / "a.psv")[0].rows[0]
    assert (found["ra"], found["dec"], found["astCat"]) == ("246.350000", "-24.400000", "UNK")


def test_time_has_the_decimals_that_its_error_deserves(tmp_path):
    for sigma, text in ((0.004, "03:00:00.2500Z"), (30.0, "03:00:00Z"), (0.5, "03:00:00.25Z")):
        write_ades_psv(table(row(sigma_time=sigma)), tmp_path / "a.psv", overwrite=True)
        assert read_ades(tmp_path / "a.psv")[0].rows[0]["obsTime"].endswith(text)


@pytest.mark.parametrize(
    ("sigma", "most", "decimals"), [(1.0, 9, 1), (0.1, 9, 2), (25.0, 6, 0), (1e-12, 9, 9)]
)
def test_decimals(sigma, most, decimals):
    assert decimals_for(sigma, most) == decimals


def test_a_private_site_stays_private(tmp_path):
    with pytest.raises(SiteError, match="disclose_site"):
        write_ades_psv(table(), tmp_path / "a.psv", observers=HOME)
    assert not (tmp_path / "a.psv").exists()
    write_ades_psv(table(), tmp_path / "a.psv", AdesHeader(mpc_code="XXX"), observers=HOME)
    assert "70.8" not in (tmp_path / "a.psv").read_text()


def test_each_station_has_its_own_header(tmp_path):
    rows = table(row(), row(frame="b.fits"))
    observers = {"a.fits": Site.from_mpc_code("X05"), "b.fits": CRAFT}
    write_ades_psv(rows, tmp_path / "a.psv", observers=observers)
    blocks = read_ades(tmp_path / "a.psv")
    assert [dict(block.context)["observatory"] for block in blocks] == [
        [("mpcCode", "X05")],
        [("mpcCode", "C51")],
    ]
    assert blocks[1].rows[0]["sys"] == "ICRF_KM"
    assert float(blocks[1].rows[0]["pos1"]) == pytest.approx(0.004 * 149597870.7, abs=1e-3)  # IAU 2012, B2


def test_two_temporary_names_never_meet(tmp_path):
    write_ades_psv(table(row(designation="visitor one"), row(designation="visitor two")), tmp_path / "a.psv")
    names = [found["trkSub"] for found in read_ades(tmp_path / "a.psv")[0].rows]
    assert len(set(names)) == 2


def test_nothing_measured_is_an_error(tmp_path):
    with pytest.raises(TableError, match="no body was measured"):
        write_ades_psv(table(row(ra_obs=None)), tmp_path / "a.psv")


def test_an_existing_file_is_kept(tmp_path):
    (tmp_path / "a.psv").write_text("mine")
    with pytest.raises(OutputExistsError):
        write_ades_psv(table(), tmp_path / "a.psv")


BLOCKS = [
    AdesBlock([("observatory", [("mpcCode", "X05")]), ("fundingSource", "none")],
              [{"permID": "7", "ra": "1.50", "obsTime": "2027-05-05T03:00:00Z"},
               {"provID": "2020 AB", "ra": "2"}]),
    AdesBlock([("observatory", [("mpcCode", "W84")])],
              [{"permID": "7", "trx": "251", "delay": "1.0"}], "radar"),
]  # fmt: skip


@pytest.mark.parametrize(("write", "name"), [(ades_psv, "a.psv"), (ades_xml, "a.xml")])
def test_round_trip(tmp_path, write, name):
    (tmp_path / name).write_text(write(BLOCKS))
    assert read_ades(tmp_path / name) == BLOCKS


def test_local_use_survives_in_xml_and_is_refused_in_psv(tmp_path):
    blocks = [AdesBlock([], [{"permID": "7", "localUse": "<localUse><a>1</a></localUse>"}])]
    (tmp_path / "a.xml").write_text(ades_xml(blocks))
    assert "<a>1</a>" in read_ades(tmp_path / "a.xml")[0].rows[0]["localUse"].replace(" ", "")
    with pytest.raises(TableError, match="write XML"):
        ades_psv(blocks)


@pytest.mark.parametrize(("text", "words"), [
    ("", "no observations"), ("7|CCD\n", "field names must come first"),
    ("permID|nonsense\n7|1\n", "nonsense"),
    ("permID|ra\n7|1|2\n", "line 2: 3 cells for 2 fields"), ("! name X\npermID\n", "needs a '# ' line"),
    ("<ades version='2022'><optical>", "broken XML"), ("<other/>", "outermost element is <other>"),
    ("<!DOCTYPE a><ades/>", "document type"), ("<ades/>", "without observations"),
    ("<ades><thing/></ades>", "not a kind of observation"),
    ("<ades><optical><x>1</x></optical></ades>", "no field 'x'"),
])  # fmt: skip
def test_damaged_files_are_named(tmp_path, text, words):
    (tmp_path / "a.psv").write_text(text)
    with pytest.raises(TableError, match=words):
        read_ades(tmp_path / "a.psv")


def test_a_designation_that_is_none_never_becomes_a_number():
    """'2031 ZZ9' has no half-month Z: it is a name of its own, not body 2031."""
    from appulse.formats.ades.build import _identity

    assert _identity("2031 ZZ9", {}) == {"trkSub": "2031ZZ9"}
    assert _identity("3200 Phaethon (1983 TB)", {}) == {"permID": "3200"}
