"""Set-up panel and night player."""

import pytest
from glue.core.data_factories import load_data

from appulse.formats.settings import read_settings
from glue_appulse import frame_setup, inputs
from glue_appulse.data import track_data
from glue_appulse.data.kinds import TRACK, all_of
from glue_appulse.data.solved_frames import frame_of


@pytest.fixture
def own_settings(tmp_path, monkeypatch):
    """A settings file of this test alone."""
    path = tmp_path / "settings" / "settings.yaml"
    monkeypatch.setenv("APPULSE_SETTINGS", str(path))
    monkeypatch.setattr(inputs, "_choices", None)
    return path


@pytest.fixture
def night(sample_data, registered):
    return [load_data(str(sample_data / f"iris_{i}.fits.fz")) for i in (1, 4)]


def test_what_is_kept_comes_back_and_the_rest_stays(own_settings):
    own_settings.parent.mkdir()
    own_settings.write_text(
        "sites:\n  - {name: ledge, place: [8.5, 50.0, 120], lowest: 15}\norbits: [old.ecsv]\n"
    )
    frame_setup.keep_in_settings(site="20.5,-23,1250", site_name="hosted", orbits="new.ecsv")
    settings = read_settings(own_settings)
    assert [site.name for site in settings.sites] == ["ledge", "hosted"]
    assert settings.site("ledge").lowest == 15
    assert settings.site("hosted").place.geodetic == pytest.approx((20.5, -23.0, 1250.0), abs=1e-4)
    assert [path.rpartition("/")[2] for path in settings.orbits] == ["new.ecsv", "old.ecsv"]
    assert "old.ecsv" in own_settings.with_name("settings.yaml.bak").read_text()


def test_comments_of_the_settings_file_stay(own_settings):
    own_settings.parent.mkdir()
    own_settings.write_text(
        "# written by hand\nsites:\n  - name: ledge   # by the window\n    place: [8.5, 50.0, 120]\n\n"
        "# where elements come from\norbits:\n  - old.ecsv   # from May\ninstruments: []\n"
    )
    frame_setup.keep_in_settings(
        site="20.5,-23,1250", site_name="hosted", orbits="new.ecsv", instrument=INSTRUMENT
    )
    text = own_settings.read_text()
    for comment in ("# written by hand", "# by the window", "# where elements come from", "# from May"):
        assert comment in text
    settings = read_settings(own_settings)
    assert [site.name for site in settings.sites] == ["ledge", "hosted"]
    assert settings.instrument("short refractor").focal_length_mm == 350
    assert len(settings.orbits) == 2


INSTRUMENT = {"name": "short refractor", "aperture_mm": 70, "focal_length_mm": 350, "pixel_um": 6.1,
              "sensor_px": [1600, 1200]}  # fmt: skip


@pytest.mark.parametrize(
    "text",
    [
        "",
        "# only words\n",
        "orbits: [a.ecsv]\n",
        "sites: [{name: a, place: X05}]\n",
        "sites:\n- name: a\n  place: X05\n",
    ],
)
def test_any_style_of_settings_takes_a_change(text):
    import yaml

    from glue_appulse.frame_setup import with_content

    content = yaml.safe_load(text) or {}
    content["sites"] = [*content.get("sites", []), {"name": "b", "place": [1, 2, 3]}]
    content["stars"] = ["gaia.ecsv"]
    assert yaml.safe_load(with_content(text, content)) == content


def test_every_value_of_an_instrument_says_where_it_comes_from(own_settings, night):
    frame_setup.keep_in_settings(instrument=INSTRUMENT)
    entry = frame_setup.instrument_entries()["short refractor"]
    told = frame_setup.instrument_values(entry, frame_of(night[0]))
    assert told["aperture_mm"] == ("70", "settings file")
    assert told["gain_e_adu"] == ("1", "header, EGAIN")
    assert told["full_well_e"] == ("50000", "default")
    bare = frame_setup.instrument_values({})
    assert bare["aperture_mm"] == ("", "not known")


@pytest.mark.needs_qt
def test_an_instrument_is_kept_and_used(app, night, own_settings):
    from glue_appulse.qt.setup_panel import open_panel

    app.data_collection.append(night[0])
    panel = open_panel(app.session)
    box = panel.instrument
    box.keep_button.click()
    assert "needs a name" in panel.status.text()
    box.name.setText("short refractor")
    given = (("aperture_mm", "70"), ("focal_length_mm", "350"), ("pixel_um", "6.1"), ("full_well_e", "30000"))
    for name, value in given:
        box.lines[name].setText(value)
    box.keep_button.click()
    kept = read_settings().instrument("short refractor")
    height, width = night[0].shape
    assert (kept.aperture_mm, kept.sensor_px, kept.gain_e_adu) == (70.0, (width, height), 1.0)
    assert box.known["full_well_e"].text() == "30000 (settings file)"
    box.use_button.click()
    assert panel.lines["saturation_adu"].text() == "30000"
    box.lines["pixel_um"].setText("six")
    box.keep_button.click()
    assert "'six' cannot be read" in panel.status.text()


def test_a_broken_settings_file_is_told_and_not_fatal(own_settings, capsys):
    own_settings.parent.mkdir()
    own_settings.write_text("sites: 7\n")
    assert inputs.chosen() == inputs.Choices()
    assert "settings file cannot be used" in capsys.readouterr().err


def test_the_settings_file_chooses_the_sources(own_settings):
    frame_setup.keep_in_settings(orbits="/somewhere/mine.ecsv")
    assert inputs.chosen().orbits == "/somewhere/mine.ecsv"


def test_every_value_says_where_it_comes_from(night):
    told = frame_setup.frame_values(frame_of(night[0]))
    assert told["gain_e_adu"] == ("1", "EGAIN")
    assert "OBSGEO" in told["site"][1]
    assert "DATE-AVG" in told["time"][1]


@pytest.mark.needs_qt
def test_a_site_given_moves_the_track(app, night, own_settings, sample_data):
    from glue_appulse.qt.desk import add_tracks, show_frames
    from glue_appulse.qt.setup_panel import open_panel

    app.add_datasets(night)
    show_frames(app.session, night)
    source = inputs.open_orbits(sample_data / "orbit.ecsv")
    add_tracks(app.session, track_data.make_tracks(source, night, ["7"])[0])
    before = all_of(app.data_collection, TRACK)[0]["RA"][0]
    panel = open_panel(app.session)
    panel.lines["site"].setText("8.5,50,120")
    panel.lines["gain_e_adu"].setText("1.7")
    assert panel.apply().wait()
    assert frame_of(night[1]).camera.gain_e_adu.value == 1.7
    assert "given" in panel.known["site"].text()
    track = all_of(app.data_collection, TRACK)[0]
    # from 20.5 E, 23 S to 8.5 E, 50 N: three quarters of an Earth radius at 1.96 au, about 3 arcsec
    assert 1e-4 < abs(track["RA"][0] - before) * 3600 < 10


@pytest.mark.needs_qt
@pytest.mark.parametrize(("field", "text"), [("gain_e_adu", "one"), ("site", "nowhere at all")])
def test_nonsense_is_told_and_nothing_changed(app, night, own_settings, field, text):
    from glue_appulse.qt.setup_panel import open_panel

    app.add_datasets(night)
    panel = open_panel(app.session)
    panel.lines[field].setText(text)
    assert panel.apply() is None
    assert text in panel.status.text()
    assert frame_of(night[0]).camera.gain_e_adu.source == "EGAIN"


@pytest.fixture
def player(app, night, sample_data):
    from glue_appulse.qt.desk import add_tracks, show_frames
    from glue_appulse.qt.player import open_panel

    app.add_datasets(night)
    app.viewer = show_frames(app.session, night)
    source = inputs.open_orbits(sample_data / "orbit.ecsv")
    add_tracks(app.session, track_data.make_tracks(source, night, ["7"])[0])
    app.player = open_panel(app.session)
    return app


def visible(app):
    return [layer.layer.label for layer in app.viewer.layers if layer.visible and layer.layer.ndim == 2]


@pytest.mark.needs_qt
def test_the_player_steps_through_the_night(player):
    assert visible(player) == ["iris_1.fits.fz"]
    player.player.forward()
    assert visible(player) == ["iris_4.fits.fz"]
    assert "2027-05-05T00:50:12" in player.player.words.text()
    player.player.forward()
    assert visible(player) == ["iris_1.fits.fz"]


@pytest.mark.needs_qt
def test_the_body_stands_still_in_the_middle(player, sample_data):
    import yaml

    answers = yaml.safe_load((sample_data / "answers.yaml").read_text())["frames"]
    state = player.viewer.state
    state.x_min, state.x_max, state.y_min, state.y_max = 700, 900, 300, 450
    player.player.mode.setCurrentIndex(1)
    middle = (state.x_min + state.x_max) / 2, (state.y_min + state.y_max) / 2
    first = answers["iris_1.fits.fz"]
    assert middle == pytest.approx((first["x"], first["y"]), abs=0.5)
    player.player.forward()
    moved = (state.x_min + state.x_max) / 2 - middle[0]
    # 29 arcsec/h over 4.93 h at 3.6 arcsec: 40 pixels of the first frame
    assert abs(moved) == pytest.approx(40, abs=2)
    assert state.reference_data.label == "iris_1.fits.fz"


@pytest.mark.needs_qt
def test_play_goes_on_by_itself_and_stops(player):
    player.player.pace.setValue(25)
    player.player.toggle()
    assert player.player.timer.isActive()
    assert player.player.play_button.text() == "Stop"
    player.player.toggle()
    assert not player.player.timer.isActive()
