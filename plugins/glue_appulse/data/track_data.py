"""Tracks as glue data sets: an ephemeris over the hours around the frames of a night; bodies in a frame."""

import contextlib
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from astropy.time import Time

from appulse.errors import AppulseError
from appulse.overlays import BODIES
from appulse.overlays import plain_column as column
from appulse.workflows import BodySource
from glue_appulse.data.frame_wcs import SkyProjector
from glue_appulse.data.kinds import KIND_KEY, TRACK, all_of, to_json
from glue_appulse.data.solved_frames import frame_of, require_time_and_site
from glue_appulse.layers.sky_layer import frame_key
from glue_appulse.layers.track_model import DEC, EXPOSURES_KEY, MJD, RA, TrackModel

#: A catalogue up to this many bodies is predicted as a whole; a larger one is searched by place first.
LISTED = 5000
#: Rows per track: enough that a vertex stands every few pixels, few enough for a table to be looked at.
MIN_ROWS, MAX_ROWS, PX_PER_ROW = 97, 1201, 6.0
#: A track reaches this far beyond the first and the last frame, hours, or as far as the body takes to cross
#: half a frame, whichever is within.
MIN_PAD_H, MAX_PAD_H = 0.5, 12.0
#: Columns of an ephemeris taken along: its name, ours, unit.
EXTRA = (
    ("rate", "rate", "arcsec/h"),
    ("motion_pa", "motion PA", "deg"),
    ("mag", "magnitude", "mag"),
    ("sigma_major", "sigma major", "arcsec"),
    ("sigma_minor", "sigma minor", "arcsec"),
    ("sigma_pa", "sigma PA", "deg"),
)


def usable(frames: list) -> tuple[list, list[str]]:
    """Frames that can be predicted for, and a line about each that cannot."""
    from appulse.errors import FrameError

    good, lines = [], []
    for data in frames:
        try:
            require_time_and_site(frame_of(data))
        except FrameError as exc:
            lines.append(str(exc))
        else:
            good.append(data)
    return good, lines


def _padding_h(frame, rate_arcsec_h):
    crossing = frame.radius_deg * 3600.0 / max(abs(rate_arcsec_h), 1e-6)
    return float(np.clip(crossing, MIN_PAD_H, MAX_PAD_H))


def _places(frames, mids):
    """Records of the predicted places, one per frame."""
    places = []
    for i, data in enumerate(frames):
        exposure = frame_of(data).exposure
        row = {
            name: float(column(mids, name)[i])
            for name in ("ra", "dec", "sigma_major", "sigma_minor", "sigma_pa")
        }
        known = np.isfinite(row["sigma_major"])
        places.append({
            "frame": frame_key(data), "mid_mjd": exposure.mid.utc.mjd, "start_mjd": exposure.start.utc.mjd,
            "end_mjd": exposure.end.utc.mjd, "ra": row["ra"], "dec": row["dec"],
            "sigma_major": row["sigma_major"] if known else None,
            "sigma_minor": row["sigma_minor"] if known else None,
            "sigma_pa": row["sigma_pa"] if known else None})  # fmt: skip
    return places


def _dense(ephemeris, frames, designation, mids):
    """Rows around the frames, or those at mid-exposure alone where the source reaches no further."""
    from appulse.errors import EphemerisSpanError

    first = frame_of(frames[0])
    rate = np.nanmax(np.abs(column(mids, "rate")), initial=0.0) or 30.0
    pad = _padding_h(first, rate) / 24.0
    exposures = [frame_of(data).exposure for data in frames]
    start, end = min(e.start.utc.mjd for e in exposures), max(e.end.utc.mjd for e in exposures)
    # A table of places ends where it ends: first as far as wanted, then less, then the frames alone.
    for padding in (pad, MIN_PAD_H / 24.0, 0.0):
        low, high = start - padding, end + padding
        length_px = rate * (high - low) * 24.0 / first.pixel_scale
        rows = int(np.clip(length_px / PX_PER_ROW, MIN_ROWS, MAX_ROWS))
        try:
            times = Time(np.linspace(low, high, rows), format="mjd", scale="utc")
            return ephemeris.at(times, first.observer, bodies=[designation])
        except EphemerisSpanError:
            continue
    return mids


def track_data(ephemeris, frames, designation, *, name=None, color="#ffb000"):
    """A body's track around the frames of one observer."""
    from glue.core import Component, Data

    frames = sorted(frames, key=lambda data: frame_of(data).exposure.mid.mjd)
    # One observer: from another site a near body is elsewhere, by minutes of arc.
    observer = frame_of(frames[0]).observer
    mid_times = Time([frame_of(data).exposure.mid.utc for data in frames])
    mids = ephemeris.at(mid_times, observer, bodies=[designation])
    table = _dense(ephemeris, frames, designation, mids)
    words = name or str(designation)
    mjd = np.asarray(Time(table["time"]).utc.mjd, float)
    data = Data(label=words)
    columns = [(MJD, mjd, "d"), (RA, column(table, "ra"), "deg"), (DEC, column(table, "dec"), "deg"),
               ("hours", (mjd - np.floor(mjd[0])) * 24.0, "h")]  # fmt: skip
    columns += [(ours, column(table, its), unit) for its, ours, unit in EXTRA]
    for label, values, unit in columns:
        if np.isfinite(values).any():
            data.add_component(Component(values, units=unit), label)
    data.meta.update({
        KIND_KEY: TRACK, "designation": words, "body": str(designation), "observer": str(observer.name),
        EXPOSURES_KEY: to_json(_places(frames, mids)),
    })  # fmt: skip
    known = {key: table.meta[key] for key in ("engine", "kernels", "source") if key in table.meta}
    data.meta.update({f"ephemeris {key}": str(value) for key, value in known.items()})
    data.style.color, data.style.alpha = color, 1.0
    return data


def by_observer(frames: list) -> list[list]:
    """Frames grouped by who took them, for parallax shifts a near body's track between sites."""
    groups = {}
    for data in frames:
        observer = frame_of(data).observer
        # a spacecraft moves: its frames are one group only while they share a vector
        key = (observer.name, getattr(observer, "itrs_m", None) or str(getattr(observer, "time", "")))
        groups.setdefault(key, []).append(data)
    return list(groups.values())


# --- what is predicted inside a frame

@dataclass(frozen=True)
class FieldBody:
    """A body in a frame."""

    #: What the ephemeris calls it.
    key: str
    #: What people read.
    name: str
    #: Zero-based pixels at mid-exposure.
    x: float
    y: float
    #: Magnitude; arcsec/h; arcmin from the frame's centre; arcsec. NaN where unknown.
    mag: float
    rate: float
    separation: float
    sigma: float


def bodies_in(frame, source: BodySource, limit_mag: float = 99.0) -> list[FieldBody]:
    """Bodies of a source in a frame at mid-exposure, brightest first; those of unknown magnitude stay."""
    from appulse.numerics import separation_rad, unit_from_radec

    require_time_and_site(frame)
    table = _predictions(frame, source, limit_mag)
    ra, dec, mag = (column(table, name) for name in ("ra", "dec", "mag"))
    x, y = frame.to_pixel(ra, dec)
    inside = frame.contains(ra, dec) & ~(mag > limit_mag)
    apart = np.degrees(separation_rad(unit_from_radec(*frame.centre), unit_from_radec(ra, dec))) * 60.0
    rate, sigma = column(table, "rate"), column(table, "sigma_major")
    numbers = np.column_stack([x, y, mag, rate, apart, sigma])[inside].tolist()
    keys = [str(key) for key in table["designation"][inside]]
    found = [FieldBody(key, source.label_of(key), *row) for key, row in zip(keys, numbers, strict=True)]
    return sorted(found, key=lambda body: (not np.isfinite(body.mag), body.mag))


def _predictions(frame, source, limit_mag):
    mid, observer = frame.exposure.mid, frame.observer
    if source.catalogue is None or len(source.catalogue) <= LISTED:
        return source.ephemeris.at(Time([mid]), observer)
    # By place first: to integrate a million orbits to one moment would take hours.
    from appulse.bodies import bodies_in_field

    circle = (*frame.centre, frame.radius_deg)
    return bodies_in_field(source.catalogue, mid, observer, *circle, limit_mag=limit_mag)


#: Bodies that are integrated in one sweep: far quicker than one by one, and the bar moves between.
TOGETHER = 25


def _integrate(ephemeris, groups, keys):
    """Let an ephemeris integrate bodies together; their tables come from what it keeps."""
    for group in groups if len(keys) > 1 else ():
        exposures = [frame_of(data).exposure for data in group]
        ends = [min(e.start.utc.mjd for e in exposures) - MAX_PAD_H / 24.0,
                max(e.end.utc.mjd for e in exposures) + MAX_PAD_H / 24.0]  # fmt: skip
        # A body that fails, or a table that ends within, is found again, and named, where its track is made.
        with contextlib.suppress(AppulseError):
            observer = frame_of(group[0]).observer
            ephemeris.at(Time(ends, format="mjd", scale="utc"), observer, bodies=keys, uncertainty=False)


def make_tracks(
    source: BodySource,
    frames: list,
    keys: list[str],
    *,
    first_color: int = 0,
    progress: Callable | None = None,
) -> tuple[list, list[str]]:
    """Tracks of bodies around the frames, one per body and observer."""
    good, lines = usable(frames)
    groups = by_observer(good)
    tracks = []
    for i, key in enumerate(keys):
        if i % TOGETHER == 0:
            _integrate(source.ephemeris, groups, keys[i : i + TOGETHER])
        for group in groups:
            if progress is not None:
                progress(i, len(keys))
            try:
                track = track_data(source.ephemeris, group, key, name=source.label_of(key),
                                   color=BODIES[(first_color + i) % len(BODIES)])  # fmt: skip
            except AppulseError as exc:
                lines.append(str(exc))
                continue
            # two tracks of one body need two names, or the second would replace the first
            if len(groups) > 1:
                track.label = f"{track.label} from {track.meta['observer']}"
            track.meta["orbits"] = source.label
            track.meta["orbits path"] = "" if source.path is None else str(source.path)
            tracks.append(track)
    return tracks, lines


def bodies_wanted(text: str, source: BodySource, frames: list) -> list[str]:
    """Bodies that a text asks for: names with commas between, or "all" that the source has in the frames."""
    if text != "all":
        return [source.find(word) for word in text.split(",") if word.strip()]
    found = [body.key for data in usable(frames)[0] for body in bodies_in(frame_of(data), source)]
    return list(dict.fromkeys(found))


def nearest_track(data_collection, frame, ra: float, dec: float):
    """Track whose place in a frame lies nearest to a point."""
    projector = SkyProjector(frame.coords, frame.shape)
    x, y = projector.to_pixel([ra], [dec])
    best, least = None, np.inf
    for track in all_of(data_collection, TRACK):
        for place in TrackModel.from_data(track).places:
            # a track knows a place for each of its frames; the others are of other moments
            if place.frame != frame_key(frame):
                continue
            px, py = projector.to_pixel([place.ra], [place.dec])
            distance = float(np.hypot(px - x, py - y)[0])
            if distance < least:
                best, least = track, distance
    return best, least
