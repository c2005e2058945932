"""Passes as calendar entries (iCalendar, RFC 5545), with alarms."""

from __future__ import annotations

import datetime

import numpy as np
from icalendar import Alarm, Calendar, Event

from appulse import __version__
from appulse.encounters import body_name
from appulse.formats import write_bytes

ALARMS = (datetime.timedelta(days=7), datetime.timedelta(days=1), datetime.timedelta(hours=3))
"""How long before the begin of an interval the calendar speaks up."""


def calendar_bytes(entries, *, stamp=None):
    """A calendar of best intervals.

    Parameters
    ----------
    entries : sequence of (Pass, Night)
        Nights with a usable interval; others are left out.
    stamp : datetime, optional
        When the calendar was made; default now.

    Returns
    -------
    bytes
        An event per entry, begin and end in UTC, the site's name as location: its coordinates stay private.

    Examples
    --------
    >>> b"BEGIN:VCALENDAR" in calendar_bytes([])
    True
    """
    stamp = stamp or datetime.datetime.now(datetime.UTC)
    calendar = Calendar()
    calendar.add("prodid", f"-//appulse//passes {__version__}//EN")
    calendar.add("version", "2.0")
    for encounter, night in entries:
        if night.interval is not None:
            calendar.add_component(_event(encounter, night, stamp))
    return calendar.to_ical()


def write_calendar(entries, path, overwrite=False):
    """Write :func:`calendar_bytes` to a file; returns the path."""
    return write_bytes(path, calendar_bytes(entries), overwrite)


def _event(encounter, night, stamp):
    begin, end = (moment.to_datetime(timezone=datetime.UTC) for moment in night.interval)
    body = body_name(encounter)
    event = Event()
    # the same pass, night and site replace their earlier entry in a calendar
    event.add("uid", f"{encounter.id}-{night.evening:%Y%m%d}-{_slug(night.site.name)}@appulse")
    event.add("dtstamp", stamp)
    event.add("dtstart", begin)
    event.add("dtend", end)
    event.add("summary", f"{body} by {encounter.target.name}")
    # the name only: coordinates stay private
    event.add("location", night.site.name)
    event.add("description", _description(encounter, night))
    for before in ALARMS:
        alarm = Alarm()
        alarm.add("action", "DISPLAY")
        alarm.add("description", f"{body} by {encounter.target.name} from {night.site.name}")
        alarm.add("trigger", -before)
        event.add_component(alarm)
    return event


def _description(encounter, night):
    best = night.altitude[night.chosen].max()
    separation = encounter.separation_arcsec / 60
    bright = f"Magnitude {encounter.mag:.1f}" if np.isfinite(encounter.mag) else "Magnitude unknown"
    return (
        f"Least separation {separation:.1f} arcmin at {encounter.time.strftime('%Y-%m-%d %H:%M')} UTC"
        f"{' (inside the outline)' if encounter.inside_outline else ''}. {bright}, "
        f"{encounter.rate:.0f} arcsec/h. Highest {best:.0f} degrees, Moon {night.moon_illumination:.0%} lit. "
        f"Encounter {encounter.id}."
    )


def _slug(text):
    return "".join(ch if ch.isalnum() else "-" for ch in text.lower())
