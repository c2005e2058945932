"""Passes in glue: the table through the ordinary reader, a timeline, the sky of a selected pass."""

import os

import numpy as np
import pytest
from astropy.table import Table
from astropy.time import Time

from appulse.bodies.ephemeris import NBodyEphemeris
from appulse.bodies.readers import starter_orbits
from appulse.encounters.pass_table import passes_table
from appulse.encounters.passes import PassSearch, find_passes
from appulse.encounters.targets import Targets
from appulse.formats.output import write_table
from appulse.observers.site import Site
from glue_appulse import encounters
from glue_appulse.data import pass_data


@pytest.fixture(scope="module")
def passes_file(tmp_path_factory):
    from appulse.catalogues.deepsky import find_object

    nebulae = Targets.from_outlines([find_object("IC 4603"), find_object("IC 4604")])
    catalogue = starter_orbits()
    search = PassSearch(nebulae, Time("2027-02-01"), Time("2027-06-01"), Site.geocentre(), 40.0)
    found = find_passes(catalogue.take(np.flatnonzero(catalogue.number == 7)), search)
    path = tmp_path_factory.mktemp("passes") / "pass_data.ecsv"
    return write_table(passes_table(found), path)


def test_only_tables_of_passes_are_taken(passes_file, sample_data, tmp_path):
    assert pass_data.is_passes(str(passes_file))
    assert not pass_data.is_passes(str(sample_data / "stars.ecsv"))
    assert not pass_data.is_passes(str(tmp_path / "none.ecsv"))
    # Neither a pipe, which never ends, nor a line without an end holds the window up.
    os.mkfifo(tmp_path / "pipe.ecsv")
    assert not pass_data.is_passes(str(tmp_path / "pipe.ecsv"))
    (tmp_path / "long.ecsv").write_text("x" * 1_000_000)
    assert not pass_data.is_passes(str(tmp_path / "long.ecsv"))


def test_the_table_keeps_its_numbers_and_gains_a_time_axis(passes_file):
    data = pass_data.load_passes(str(passes_file))
    table = Table.read(passes_file)
    assert np.allclose(data["separation"], table["separation"])
    assert np.allclose(data[pass_data.MJD], Time(list(table["time"])).mjd)
    assert list(data["encounter"]) == list(table["encounter"])
    assert data.get_component("separation").units == "arcsec"


def test_the_selected_row_is_the_chosen_one(passes_file):
    from glue.core import DataCollection

    data = pass_data.load_passes(str(passes_file))
    collection = DataCollection([data])
    late = data.id[pass_data.MJD] > Time("2027-04-15").mjd
    subset = collection.new_subset_group("late", late).subsets[0]
    assert pass_data.chosen_row(subset)["encounter"] == "7-IC4603-20270504"
    nothing = collection.new_subset_group("none", data.id[pass_data.MJD] > 1e9).subsets[0]
    with pytest.raises(ValueError, match="no pass is selected"):
        pass_data.chosen_row(nothing)


def test_sky_of_a_pass_holds_track_and_outlines_where_they_belong(passes_file):
    data = pass_data.load_passes(str(passes_file))
    from glue.core import DataCollection

    late = data.id[pass_data.MJD] > Time("2027-04-15").mjd
    subset = DataCollection([data]).new_subset_group("late", late).subsets[0]
    row = pass_data.chosen_row(subset)
    sky, outlines, track = pass_data.sky_of(row, NBodyEphemeris(starter_orbits().take([4])))
    from glue_appulse.data.solved_frames import frame_of

    frame = frame_of(sky)
    assert {"IC 4603", "IC 4604"} <= set(outlines["name"])
    ra, dec = track["RA"], track["Dec"]
    nearest = np.hypot((ra - frame.centre[0]) * np.cos(np.radians(dec)), dec - frame.centre[1]).min() * 3600
    assert abs(nearest - float(row["separation"])) < 5.0
    assert frame.contains(ra, dec).any()


def test_the_desktop_shows_it(app, passes_file, registered):
    from glue_appulse.qt.menus import show_selected_pass

    encounters.setup()
    app.load_data(str(passes_file))
    [table] = [data for data in app.data_collection if data.meta.get("appulse_kind") == "passes"]
    app.data_collection.new_subset_group("late", table.id[pass_data.MJD] > Time("2027-04-15").mjd)
    viewer = show_selected_pass(app.session, app.data_collection)
    shown = [layer.layer.label for layer in viewer.layers]
    assert any(label.startswith("sky of 7-IC4603") for label in shown)
    assert any("objects by" in label for label in shown)
    assert "(7) by IC 4603" in shown


def test_without_a_table_a_line_says_so(app, registered, capsys):
    from glue_appulse.qt.menus import show_selected_pass

    assert show_selected_pass(app.session, app.data_collection) is None
    assert "no table of passes is open" in capsys.readouterr().err
