"""What is predicted inside a frame, and tracks of it."""

from dataclasses import dataclass

import numpy as np
from astropy.time import Time

from appulse.overlays.columns import plain_column as column
from appulse.overlays.palette import BODIES

from glue_appulse.body_tracks import by_observer, track_data, usable
from glue_appulse.sources import LISTED


@dataclass(frozen=True)
class FieldBody:
    """A body in a frame.

    Parameters
    ----------
    key : str
        What the ephemeris calls it.
    name : str
        What people read.
    x, y : float
        Zero-based pixels at mid-exposure.
    mag, rate, separation, sigma : float
        Magnitude; arcsec/h; arcmin from the frame's centre; arcsec. NaN where unknown.
    """

    key: str
    name: str
    x: float
    y: float
    mag: float
    rate: float
    separation: float
    sigma: float


def bodies_in(frame, source, limit_mag=99.0, margin_px=0.0):
    """Bodies of a source that fall into a frame at mid-exposure.

    Parameters
    ----------
    frame : appulse.frames.frame.SolvedFrame
        With time and site.
    source : glue_appulse.sources.OrbitSource
    limit_mag : float
        Fainter ones are left out; those of unknown magnitude stay.
    margin_px : float

    Returns
    -------
    list of FieldBody
        Brightest first.

    Raises
    ------
    appulse.errors.FrameError
        The frame has no time or no site.
    """
    from appulse.errors import FrameError
    from appulse.numerics.sphere import separation_rad, unit_from_radec

    if frame.exposure is None or frame.observer is None:
        lacks = "time" if frame.exposure is None else "site"
        raise FrameError(f"{frame.name} has no {lacks}; give it in Plugins > Set-up (site, time, camera)…")
    table = _predictions(frame, source, limit_mag)
    ra, dec, mag = (column(table, name) for name in ("ra", "dec", "mag"))
    x, y = frame.to_pixel(ra, dec)
    inside = frame.contains(ra, dec, margin_px) & ~(mag > limit_mag)
    apart = np.degrees(separation_rad(unit_from_radec(*frame.centre), unit_from_radec(ra, dec))) * 60.0
    rate, sigma = column(table, "rate"), column(table, "sigma_major")
    numbers = np.column_stack([x, y, mag, rate, apart, sigma])[inside].tolist()
    keys = [str(key) for key in table["designation"][inside]]
    found = [FieldBody(key, source.name_of(key), *row) for key, row in zip(keys, numbers, strict=True)]
    return sorted(found, key=lambda body: (not np.isfinite(body.mag), body.mag))


def _predictions(frame, source, limit_mag):
    times = Time([frame.exposure.mid])
    if source.catalogue is not None and len(source.catalogue) > LISTED:
        from appulse.bodies.field_search import bodies_in_field

        ra, dec = frame.centre
        return bodies_in_field(source.catalogue, times[0], frame.observer, ra, dec, frame.radius_deg,
                               limit_mag=limit_mag)  # fmt: skip
    return source.ephemeris.at(times, frame.observer)


def make_tracks(source, frames, keys, *, first_color=0, progress=None):
    """Tracks of bodies around the frames, one per body and observer.

    Parameters
    ----------
    source : glue_appulse.sources.OrbitSource
    frames : list of glue.core.data.Data
    keys : list of str
        What the ephemeris calls the bodies.
    first_color : int
        Where in the row of colours to begin.
    progress : callable or None
        Called with (done, total).

    Returns
    -------
    tracks : list of glue.core.data.Data
    lines : list of str
        What could not be done, and the remedy.
    """
    from appulse.errors import AppulseError

    good, lines = usable(frames)
    groups = by_observer(good)
    tracks = []
    for i, key in enumerate(keys):
        for group in groups:
            if progress is not None:
                progress(i, len(keys))
            try:
                track = track_data(source.ephemeris, group, key, name=source.name_of(key),
                                   color=BODIES[(first_color + i) % len(BODIES)])  # fmt: skip
            except AppulseError as exc:
                lines.append(str(exc))
                continue
            if len(groups) > 1:
                track.label = f"{track.label} from {track.meta['observer']}"
            track.meta["orbits"] = source.label
            track.meta["orbits path"] = "" if source.path is None else str(source.path)
            tracks.append(track)
    return tracks, lines
