"""The residual table on its way into glue and out again."""

import astropy.units as u
import numpy as np
import pytest
from astropy.time import Time
from glue.core import DataCollection
from glue.core.state import GlueSerializer, GlueUnSerializer

from appulse.formats.residual_table import make_table
from glue_appulse.data import residual_data


def rows(frames, bodies=("7",), start=0.0):
    """Residual rows, one per frame and body."""
    pairs = [(frame, body) for frame in frames for body in bodies]
    times = Time(61530 + start + np.arange(len(pairs)) / 24, format="mjd", scale="utc").isot
    offsets = np.linspace(-1, 1, len(pairs))
    common = {"snr": 20.0, "n_stars": 30, "flag": ""}
    made = [
        {"frame": frame, "time": time, "designation": body, "dra_cosdec": offset, **common}
        for (frame, body), time, offset in zip(pairs, times, offsets, strict=True)
    ]
    return make_table(made, {"program": "appulse", "options": {"fit": "trail"}})


@pytest.fixture
def collection():
    collection = DataCollection([])
    residual_data.add_rows(collection, rows(["a", "b"]))
    return collection


def test_columns_units_times_and_provenance_come_back(collection):
    table, wanted = residual_data.table_of(residual_data.find(collection)), rows(["a", "b"])
    assert table.colnames == wanted.colnames
    assert table["dra_cosdec"].unit == u.arcsec
    assert table["time"].tolist() == wanted["time"].tolist()
    assert table["ddec"].mask.all()
    assert table.meta == wanted.meta
    assert table["n_stars"].dtype.kind == "i"


def test_a_row_measured_again_replaces_the_earlier_one(collection):
    again = rows(["b"])
    again["dra_cosdec"][0] = 5.0
    residual_data.add_rows(collection, again)
    table = residual_data.table_of(residual_data.find(collection))
    assert len(table) == 2
    assert table["dra_cosdec"][table["frame"] == "b"][0] == 5.0


def test_undo_brings_the_earlier_rows_back_and_empties_the_first(collection):
    undo = residual_data.add_rows(collection, rows(["c"], start=1.0))
    assert residual_data.find(collection).size == 3
    undo()
    assert residual_data.find(collection).size == 2
    residual_data.put(collection, rows([]))
    assert residual_data.find(collection) is None


def test_a_selection_of_rows_survives_new_rows(collection):
    data = residual_data.find(collection)
    collection.new_subset_group("east", data.id["dra_cosdec"] > 0)
    residual_data.add_rows(collection, rows(["c", "d", "e"], start=1.0))
    assert residual_data.table_of(data.subsets[0])["frame"].tolist() == ["b", "e"]


def test_residuals_survive_a_session(collection):
    text = GlueSerializer(collection, include_data=True).dumps()
    restored = GlueUnSerializer.loads(text).object("__main__")
    table = residual_data.table_of(residual_data.find(restored))
    assert table["frame"].tolist() == ["a", "b"]
    assert table.meta["options"] == {"fit": "trail"}


def test_the_plates_own_error_counts_where_its_offset_is_taken_off():
    row = {"dra_cosdec": 1.0, "ddec": 2.0, "along": 1.0, "across": -2.0, "dra_plate": 0.4, "ddec_plate": 0.1,
           "motion_pa": 90.0, "sigma_ra": 0.03, "sigma_dec": 0.06, "sigma_along": 0.03, "sigma_across": 0.06,
           "sigma_plate_ra": 0.04, "sigma_plate_dec": 0.08}  # fmt: skip
    raw, off = (residual_data.offsets(row.get, plate_off) for plate_off in (False, True))
    assert (raw["along"], raw["sigma_along"]) == (1.0, 0.03)
    # the motion is due east: along is ΔRA·cosδ, across 90 degrees further, to the south
    found = [off[name] for name in ("along", "across", "sigma_dra", "sigma_along", "sigma_across")]
    assert found == pytest.approx([0.4, -0.1, 0.05, 0.05, 0.1])
