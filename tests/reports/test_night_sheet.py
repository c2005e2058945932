"""The night sheet: the same numbers everywhere, charts for every kind of night, slots that add up."""

import datetime
import re
from html import unescape
from types import SimpleNamespace

import numpy as np
import pytest
from astropy.time import Time

from appulse.catalogues.deepsky import Outline
from appulse.encounters.campaign_file import Rental
from appulse.encounters.capture import plan_capture
from appulse.encounters.ranking import odds
from appulse.encounters.visibility import watch_night
from appulse.formats.settings import InstrumentSettings, SiteSettings
from appulse.observers.site import Site
from appulse.reports import night_charts
from appulse.reports.evidence_tables import printed
from appulse.reports.night_sheet import booking_text, night_sheet_html, night_sheet_pdf, sexagesimal

NEBULA = Outline("IC <4603>", "circle", 246.352, -24.4684, 20.0, 20.0, mag=9.0)
A, D = np.radians([NEBULA.ra, NEBULA.dec])
UNIT = np.array([np.cos(D) * np.cos(A), np.cos(D) * np.sin(A), np.sin(D)])
MAY = datetime.date(2027, 5, 4)


def moving(times):
    """2 au away, 28 arcsec/h to the west."""
    ra = A - np.radians(28.0 / 3600 * 24 * (times.mjd - 61530.2) / np.cos(D))
    return 2.0 * np.stack([np.cos(D) * np.cos(ra), np.cos(D) * np.sin(ra), 0 * ra + np.sin(D)], axis=1)


def site(lon=-68.0, lat=-23.0, zone="America/Santiago", **changes):
    return SiteSettings("roof & co", Site.from_geodetic(lon, lat, 100.0), time_zone=zone, **changes)


def plan_at(where, **optics):
    night = watch_night(where, MAY, moving, UNIT, 2.0)
    one = SimpleNamespace(
        id="7-IC4603-20270504", designation="7", name="Iris", target=NEBULA, time=Time("2027-05-04T22:35:43"),
        separation_arcsec=223.7, crossing=SimpleNamespace(inside=True), inside_outline=True, mag=12.0,
        rate=28.0, motion_pa=270.0, tail=None,
    )  # fmt: skip
    given = {"aperture_mm": 70.0, "focal_length_mm": 350.0, "pixel_um": 6.1, "sensor_px": (1600, 1200)}
    return plan_capture(one, night, InstrumentSettings("short", **(given | optics)), moving)


@pytest.fixture(scope="module")
def plan():
    return plan_at(site())


def test_the_sheet_holds_the_plan(plan):
    chances = {"roof & co": odds([plan.night]), "second": odds([])}
    sheet = night_sheet_html(plan, odds=chances, advice="book it")
    assert "<4603>" not in sheet
    assert "roof &amp; co" in sheet
    words = unescape(re.sub(r"<[^>]+>|\u200b", "", sheet))
    for figure in plan.figures.values():
        assert printed(figure) in words, figure
    for moment in (plan.begin, plan.end):
        assert moment.strftime("%Y-%m-%d %H:%M") in words
    highest = float(re.search(r"highest, ([0-9.]+) degrees", words)[1])
    assert highest == pytest.approx(plan.figures["altitude"].value, abs=0.05)
    assert "together" in sheet
    assert sheet.count("data:image/svg") == 3


def test_the_paper_has_two_pages(plan):
    pdf = night_sheet_pdf(plan, odds={"a": odds([plan.night])}, advice="book it")
    assert len(re.findall(rb"/Type /Page\b", pdf)) == 2


def test_no_line_of_the_paper_runs_into_another_or_off_it(plan):
    from appulse.reports.night_charts import charts_page
    from appulse.reports.night_sheet import _text_page

    page = _text_page(plan, {"roof": odds([plan.night])}, "book it")
    boxes = [text.get_window_extent() for text in page.texts]
    assert len(boxes) > 40
    assert max(box.x1 for box in boxes) < 0.985 * page.bbox.width
    inner = [box.padded(-1) for box in boxes]
    assert not any(one.overlaps(other) for i, one in enumerate(inner) for other in inner[:i])
    charts = charts_page(plan)
    charts.canvas.draw()
    drawn = [axes.get_tightbbox() for axes in charts.axes]
    assert min(box.x0 for box in drawn) > 0.04 * charts.bbox.width
    assert max(box.x1 for box in drawn) < 0.96 * charts.bbox.width


def test_the_chart_marks_the_interval_of_the_plan(plan):
    figure = night_charts.altitude_figure(plan.night)
    axes = figure.axes[0]
    [bar] = [patch for patch in axes.patches if patch.get_height() < 0.04]
    first = bar.get_x()
    hours = (plan.end - plan.begin).to_value("hour")
    assert bar.get_width() == pytest.approx(hours, abs=1e-6)
    assert first % 24 == pytest.approx((plan.begin.mjd % 1) * 24, abs=1e-3)
    body = next(line for line in axes.lines if line.get_label() == "body")
    assert body.get_ydata().max() == pytest.approx(plan.night.altitude.max())


@pytest.mark.parametrize(
    ("where", "drawn"),
    [
        (site(20.0, 78.0, "Arctic/Longyearbyen"), False),  # the Sun never sets, the body never rises
        (site(8.5, 50.0, "Europe/Berlin", window=((150, 5), (215, 5), (215, 28), (150, 28))), True),
        (site(84.1, 27.8, "Asia/Kathmandu", horizon=((0, 10), (90, 35), (180, 5), (270, 20))), True),
        (site(8.5, 53.0, "UTC", window=((330, 5), (30, 5), (30, 60), (330, 60))), True),  # never in it
        (site(24.0, -85.0, "UTC"), True),  # always up, always dark: nothing rises or sets
    ],
)
def test_charts_of_every_kind_of_night(where, drawn):
    night = watch_night(where, MAY, moving, UNIT, 2.0)
    night_charts.altitude_figure(night).canvas.draw()
    path = night_charts.window_figure(night)
    assert (path is not None) == drawn
    if drawn:
        path.canvas.draw()


def test_hours_of_a_half_hour_zone_stand_at_the_half():
    where = site(84.1, 27.8, "Asia/Kathmandu")
    axes = night_charts.altitude_figure(watch_night(where, MAY, moving, UNIT, 2.0)).axes[0]
    [above] = [child for child in axes.child_axes if child.get_xlabel().startswith("local")]
    assert np.allclose(above.get_xticks() % 1, 0.25)  # +05:45


def test_slots_cover_the_interval_and_cost_what_they_say(plan):
    text = booking_text(plan, Rental(60.0, 90.0, "EUR"), [site(8.5, 50.0, "Europe/Berlin")])
    starts = re.findall(r"^  +\d+    (\S+ \S+) UTC", text, re.MULTILINE)
    end = re.search(r"^  end    (\S+ \S+) UTC", text, re.MULTILINE)[1]
    assert starts[0] == plan.begin.strftime("%Y-%m-%d %H:%M")
    assert end >= plan.end.strftime("%Y-%m-%d %H:%M")
    assert starts[-1] < plan.end.strftime("%Y-%m-%d %H:%M")
    assert f"Cost:    {len(starts) * 90:.2f} EUR" in text
    assert "Slots" not in booking_text(plan)


def test_many_short_slots_are_not_all_listed(plan):
    text = booking_text(plan, Rental(5.0))
    assert "and so on every 5 min" in text
    assert len(text.splitlines()) < 40


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [(0.0, "d", "+00d00'00\""), (-0.0001, "d", "-00d00'00\""), (23.99999999, "h", "00h00m00.0s")],
)
def test_sexagesimal_at_its_edges(value, unit, text):
    assert sexagesimal(value, unit) == text
