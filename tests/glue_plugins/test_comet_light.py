"""The measuring panel's total magnitude: of a comet with a track, in the frames that are loaded."""

import numpy as np
import pytest
from astropy.io import fits
from astropy.time import Time
from glue.core.data_factories import load_data

from appulse.bodies import predict, read_orbits
from appulse.frames import read_frame
from appulse.observers import Site
from glue_appulse import inputs
from glue_appulse.data.track_data import make_tracks
from invented_nights import NightPlan, make_night

ORBIT = (
    "designation,name,epoch,q,e,i,node,peri,tp,M1,K1\n"
    "C/2026 X1,Invented,2461400.5,0.9,1.0,110,40,20,2461530.5,10.5,10\n"
)


@pytest.fixture
def night(tmp_path, monkeypatch, registered):
    """A frame with a coma where the orbit has the comet, and the sources as chosen."""
    (tmp_path / "comet.csv").write_text(ORBIT, encoding="utf-8")
    orbits = read_orbits(tmp_path / "comet.csv")
    row = predict(orbits, Time("2027-05-04T22:30:00"), Site.parse("20.5,-23,1250"))[0]
    plan = NightPlan(
        seed=9, frames=1, shape=(360, 400), stars=140, ra=row["ra"].value, dec=row["dec"].value, dither_px=2.0
    )
    make_night(plan, tmp_path)
    path = next(tmp_path.glob("*.fits"))
    frame = read_frame(path)
    place = predict(orbits, frame.exposure.mid, frame.observer)[0]
    x, y = (float(v) for v in frame.to_pixel(place["ra"].value, place["dec"].value))
    with fits.open(path) as hdus:
        data, header = hdus[0].data.astype(float), hdus[0].header.copy()
    radius = np.hypot(*np.meshgrid(np.arange(400) - x, np.arange(360) - y)) + 1.0
    coma = 20000.0 / radius * np.exp(-((radius / 20.0) ** 2))
    data += np.random.default_rng(2).poisson(coma) / plan.gain_e
    fits.writeto(tmp_path / "comet.fit", np.clip(np.round(data), 0, 65535).astype("u2"), header)
    choices = inputs.Choices(orbits=str(tmp_path / "comet.csv"), stars=str(tmp_path / "stars.ecsv"))
    monkeypatch.setattr(inputs, "_choices", choices)
    return load_data(str(tmp_path / "comet.fit"))


def test_the_button_measures_the_comet_that_has_a_track(app, night):
    from glue_appulse.qt.desk import add_tracks, show_frames
    from glue_appulse.qt.measure_panel import open_panel

    app.data_collection.append(night)
    show_frames(app.session, [night])
    panel = open_panel(app.session)
    assert panel.measure_light() is None
    assert "add the track of a comet first" in panel.status.text()
    source = inputs.open_orbits(inputs.chosen().orbits)
    tracks, _ = make_tracks(source, [night], ["C/2026 X1"])
    add_tracks(app.session, tracks)
    panel.light_button.click()
    panel.job.wait(60)
    said = panel.status.text()
    assert "total magnitude" in said
    assert "than its law: M1 10.50 becomes" in said
