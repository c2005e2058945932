"""Calendar entries read back by an independent reader, with the times that went in."""

import datetime
from types import SimpleNamespace

import numpy as np
from astropy.time import Time
from icalendar import Calendar

from appulse.reports.calendar import ALARMS, calendar_bytes, write_calendar

UTC = datetime.UTC
STAMP = datetime.datetime(2026, 11, 25, 12, 0, tzinfo=UTC)


def entry(interval=("2027-05-05T00:12:00", "2027-05-05T09:52:00"), name="hosted, south; \n «roof»"):
    night = SimpleNamespace(
        interval=None if interval is None else tuple(Time(t) for t in interval),
        evening=datetime.date(2027, 5, 4),
        site=SimpleNamespace(name=name),
        altitude=np.array([10.0, 80.0]),
        chosen=np.array([True, True]),
        moon_illumination=0.01,
    )
    one = SimpleNamespace(
        id="7-IC4603-20270504", designation="7", name="Iris", target=SimpleNamespace(name="IC 4603"),
        separation_arcsec=223.7, inside_outline=True, mag=9.9, rate=28.7, time=Time("2027-05-04T22:35:43"),
    )  # fmt: skip
    return one, night


def test_events_round_trip_with_alarms():
    calendar = Calendar.from_ical(calendar_bytes([entry()], stamp=STAMP))
    [event] = calendar.walk("VEVENT")
    assert event.decoded("dtstart") == datetime.datetime(2027, 5, 5, 0, 12, tzinfo=UTC)
    assert event.decoded("dtend") == datetime.datetime(2027, 5, 5, 9, 52, tzinfo=UTC)
    assert str(event["location"]) == "hosted, south; \n «roof»"
    assert "3.7 arcmin" in str(event["description"])
    assert sorted(alarm.decoded("trigger") for alarm in event.walk("VALARM")) == sorted(-a for a in ALARMS)


def test_nights_that_do_not_serve_are_left_out_and_lines_are_short():
    content = calendar_bytes([entry(), entry(interval=None)], stamp=STAMP)
    assert content.count(b"BEGIN:VEVENT") == 1
    assert max(len(line) for line in content.split(b"\r\n")) <= 75


def test_no_coordinates_leave(tmp_path):
    path = write_calendar([entry()], tmp_path / "passes.ics")
    assert b"GEO" not in path.read_bytes()


def test_a_body_of_unknown_brightness_says_so():
    one, night = entry()
    one.mag = float("nan")
    assert b"Magnitude unknown" in calendar_bytes([(one, night)], stamp=STAMP)
    assert b"nan" not in calendar_bytes([(one, night)], stamp=STAMP)


def test_a_comet_is_called_by_its_designation():
    one, night = entry()
    one.designation, one.name = "C/2027 A1", "Somebody"
    assert b"SUMMARY:C/2027 A1 Somebody by IC 4603" in calendar_bytes([(one, night)], stamp=STAMP)
