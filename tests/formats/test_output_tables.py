"""Writing and reading tables: whole or not at all, cells checked, masks and provenance kept."""

import numpy as np
import pytest
from astropy.table import Table

from appulse.errors import InputError, OutputExistsError, TableError
from appulse.formats.output import check_free, replacing, write_table, write_text
from appulse.formats.provenance import file_sha256, provenance
from appulse.formats.residual_table import COLUMNS, PROMISED, make_table, read_residuals, write_residuals
from appulse.formats.tables import angle_column, number_column, read_table, require_columns, text_column


def stop_halfway(path):
    with replacing(path, overwrite=True) as temporary:
        temporary.write_text("half")
        raise KeyboardInterrupt


def test_a_broken_run_leaves_nothing_behind(tmp_path):
    (tmp_path / "a.txt").write_text("old")
    with pytest.raises(KeyboardInterrupt):
        stop_halfway(tmp_path / "a.txt")
    assert [(p.name, p.read_text()) for p in tmp_path.iterdir()] == [("a.txt", "old")]


def test_what_exists_is_kept_unless_asked(tmp_path):
    path = write_text(tmp_path / "a.txt", "one")
    with pytest.raises(OutputExistsError, match="--overwrite"):
        write_text(path, "two")
    assert write_text(path, "two", overwrite=True).read_text() == "two"


def test_folders_in_the_way_are_named(tmp_path):
    with pytest.raises(InputError, match="is a folder"):
        check_free([tmp_path])
    (tmp_path / "file").write_text("")
    with pytest.raises(InputError, match="is not a folder"):
        check_free([tmp_path / "file" / "a.txt"])


def test_unknown_suffixes_are_refused(tmp_path):
    with pytest.raises(InputError, match=r"\.ecsv"):
        write_table(Table({"a": [1]}), tmp_path / "a.docx")


@pytest.mark.parametrize("name", ["a.ecsv", "a.csv", "a.fits", "a.vot"])
def test_tables_of_every_kind_are_told_by_content(tmp_path, name):
    path = write_table(Table({"designation": ["7", "12"], "ra": [246.35, 10.0]}), tmp_path / name)
    path = path.rename(tmp_path / "no-suffix")
    table = read_table(path)
    assert number_column(table, "RA", path).tolist() == [246.35, 10.0]
    assert text_column(table, "designation", path) == ["7", "12"]


@pytest.mark.parametrize(("content", "words"), [
    (b"", "empty"), (b"# only words\n", "comments only"), (b"\x00\x01\x02binary", "binary"),
    (b"ra,dec,RA\n1,2,3\n", "two columns are called 'ra'"),
    (b"ra dec ra\n1 2 3\n", "two columns are called 'ra'"),
    (b"a,b\n1,2,3\n", "not a table"), (b"<notvotable/>", "not a table"), (b"SIMPLE  = broken", "not a table"),
])  # fmt: skip
def test_damaged_tables_are_named(tmp_path, content, words):
    (tmp_path / "a.csv").write_bytes(content)
    with pytest.raises(TableError, match=rf"a\.csv.*{words}"):
        read_table(tmp_path / "a.csv")


def test_cells_are_checked(tmp_path):
    table = Table({"ra": ["16 25 24.0", "16 61 00"], "dec": ["-24.4", "-91"], "g": ["1", ""]})
    with pytest.raises(TableError, match=r"row 2.*60 minutes"):
        angle_column(table, "ra", "t", hours=True)
    with pytest.raises(TableError, match=r"row 2.*outside"):
        angle_column(table, "dec", "t")
    assert np.isnan(number_column(table, "g", "t")[1])
    with pytest.raises(TableError, match="no column 'mag'; it has: ra, dec, g"):
        require_columns(table, ["mag"], "t")


def test_units_are_converted_and_mismatches_refused():
    table = Table({"ra": [1.0]}, units={"ra": "rad"})
    assert number_column(table, "ra", "t", unit="deg")[0] == pytest.approx(57.29577951)
    with pytest.raises(TableError, match="is in rad"):
        number_column(table, "ra", "t", unit="s")


PROMISED_NAMES = """frame time designation x y ra_obs dec_obs ra_calc dec_calc dra_cosdec ddec along across
sigma_ra sigma_dec sigma_along sigma_across plate_dra plate_ddec dra_plate ddec_plate n_stars snr flag"""


def test_the_residual_table_has_the_promised_columns_in_order():
    assert list(PROMISED) == PROMISED_NAMES.split()
    assert make_table([]).colnames == [column.name for column in COLUMNS]


def test_residuals_come_back_with_masks_units_and_provenance(tmp_path):
    rows = [
        {"frame": "a.fits", "designation": "7", "ra_obs": 246.123456789, "along": -0.5, "n_stars": 12},
        {"frame": "b.fits", "designation": "7", "along": np.nan, "flag": "not seen: fainter than 17.1"},
    ]  # fmt: skip
    kept = provenance(stars="mine", options={"body": "7"})
    write_residuals(make_table(rows, kept), tmp_path / "r.ecsv")
    table = read_residuals(tmp_path / "r.ecsv")
    assert table["ra_obs"][0] == 246.123456789
    assert table["along"].mask.tolist() == [False, True]
    assert table["n_stars"].mask.tolist() == [False, True]
    assert str(table["along"].unit) == "arcsec"
    assert table["flag"].tolist() == ["", "not seen: fainter than 17.1"]
    assert table.meta["star_catalogue"] == "mine"
    assert table.meta["options"] == {"body": "7"}
    assert "nan" not in (tmp_path / "r.ecsv").read_text().split("---")[-1].lower()


def test_unknown_residual_columns_and_foreign_tables_are_refused(tmp_path):
    with pytest.raises(TableError, match="'speed' is not known"):
        make_table([{"speed": 1.0}])
    write_table(Table({"a": [1]}), tmp_path / "a.ecsv")
    with pytest.raises(TableError, match="not a residual table"):
        read_residuals(tmp_path / "a.ecsv")


def test_a_checksum_is_that_of_the_file(tmp_path):
    (tmp_path / "a").write_bytes(b"abc")
    assert file_sha256(tmp_path / "a") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


def test_texts_in_a_csv_are_no_formulas_and_come_back(tmp_path):
    names = ["=HYPERLINK(1)", "+1", "-x", "@a", "plain", "it's"]
    path = write_table(Table({"name": names, "ra": [-1.5] * 6}), tmp_path / "a.csv")
    cells = [line.split(",")[0].strip('"') for line in path.read_text().splitlines()[1:]]
    assert cells == ["'=HYPERLINK(1)", "'+1", "'-x", "'@a", "plain", "it's"]
    found = read_table(path)
    assert found["name"].tolist() == names
    assert found["ra"].tolist() == [-1.5] * 6
