"""Two frames of two sites on one grid, by their stars: what does not move falls together, the body does not.

::

    frame A ------------------------------> grid of A --+
    frame B --> stars matched with A's --> resampled --+--> body in each, motion between, parallax that is
    left
"""

from dataclasses import dataclass
from typing import Any

from appulse.errors import InputError

# Stars that are matched, brightest first.
MOST_STARS = 400
# Pixels around both places of the body that are shown at least, and at most on a side.
LEAST_MARGIN_PX, MOST_SIDE_PX = 90, 700
# Largest shift between the two plate solutions that is looked for, arcsec.
FAR_ARCSEC = 60.0


@dataclass(frozen=True)
class RegisteredPair:
    """Two frames in the first one's pixels, cut around the body.

    Attributes
    ----------
    names : (str, str)
        Of the sites.
    times : (Time, Time)
        Mid-exposures, UTC.
    planes : (array, array)
        Rows upwards, NaN where a frame has nothing.
    places : (2, 2) array
        Where the body is in each, px of the cut-outs.
    moved : (2,) array
        Where it would be in the second had it only moved since the first, px.
    parallax_arcsec, parallax_pa_deg : float
        From there to where it is, and its position angle.
    pixel_scale : float
        arcsec/px.
    north_pa_deg : float
        Direction of north in the pixels, from up counterclockwise, degrees.
    n_stars : int
        That tie the two together.
    rms_px : float
        Of their places.
    """

    names: tuple
    times: tuple
    planes: tuple
    places: Any
    moved: Any
    parallax_arcsec: float
    parallax_pa_deg: float
    pixel_scale: float
    north_pa_deg: float
    n_stars: int
    rms_px: float


def register_pair(found, paths, *, hdu=None) -> RegisteredPair:
    """Two frames of a joint measurement, registered on their stars.

    Parameters
    ----------
    found : TogetherFit
    paths : (path, path)
        One frame of each of two sites, on which the body was measured.

    Returns
    -------
    RegisteredPair

    Raises
    ------
    InputError
        If a frame holds no measured place, both are of one site, or their stars do not match.
    """
    import numpy as np

    from appulse.astrometry import survey_frame
    from appulse.frames import read_frame

    if len(paths) != 2:
        raise InputError(f"{len(paths)} frames: give two, one of each of two sites")
    frames = [read_frame(path, hdu=hdu) for path in paths]
    sightings = [_sighting_of(found, frame) for frame in frames]
    if sightings[0].site == sightings[1].site:
        raise InputError(f"both frames are of {sightings[0].site}: give one of each of two sites")
    first = frames[0]
    surveys = [survey_frame(frame) for frame in frames]
    to_second, n_stars, rms = _tie(frames, surveys)
    lights = [_light(survey) for survey in surveys]
    plane = _on_grid(lights[1], to_second, lights[0].shape)
    places = np.array([np.ravel(first.to_pixel(s.ra_deg, s.dec_deg)) for s in sightings])
    hours = (sightings[1].time - sightings[0].time).to_value("h")
    east, north = found.fit.rate * hours / 3600.0
    dec = np.radians(sightings[0].dec_deg)
    moved = np.ravel(
        first.to_pixel(sightings[0].ra_deg + east / np.cos(dec), sightings[0].dec_deg + north)
    )
    box = _box(np.vstack([places, moved]), first.data.shape)
    planes = tuple(np.asarray(p[box[1] : box[3], box[0] : box[2]], np.float32) for p in (lights[0], plane))
    corner = np.array([box[0], box[1]], float)
    sky = [(sightings[1].ra_deg - sightings[0].ra_deg) * np.cos(dec) - east,
           sightings[1].dec_deg - sightings[0].dec_deg - north]  # fmt: skip
    up = np.ravel(first.to_pixel(sightings[0].ra_deg, sightings[0].dec_deg + 0.01)) - places[0]
    return RegisteredPair(
        tuple(s.site for s in sightings), tuple(s.time for s in sightings), planes, places - corner,
        moved - corner, float(np.hypot(*sky) * 3600), float(np.degrees(np.arctan2(*sky)) % 360),
        float(first.pixel_scale), float(np.degrees(np.arctan2(-up[0], up[1]))), n_stars, rms,
    )  # fmt: skip


def _sighting_of(found, frame):
    """The place that was measured on a frame: by its name in a table, else by its time and site."""
    import numpy as np

    for night in found.nights:
        for sighting, residual in zip(night.sightings, night.residuals, strict=False):
            if residual.frame == frame.name:
                return sighting
    if frame.exposure is None:
        raise InputError(f"{frame.name}: no measured place is of this frame, and its time is not known")
    mid = frame.exposure.mid
    apart = [abs((sighting.time - mid).sec) for sighting in found.sightings]
    best = int(np.argmin(apart))
    if apart[best] > max(2.0, 0.1 * frame.exposure.seconds):
        raise InputError(
            f"{frame.name}: no measured place is of this frame; the nearest in time is {apart[best]:.0f} "
            "s away"
        )
    return found.sightings[best]


def _light(survey):
    """A frame's pixels without those that are no light."""
    import numpy as np

    from appulse.registration import Bad, filled

    bad = (survey.bad_kinds & ~np.uint8(Bad.SATURATED)) > 0
    return filled(survey.pixels, bad, survey.sky.at)


def _tie(frames, surveys):
    """Map from the first frame's pixels to the second's, by their stars; how many, and their scatter."""
    import numpy as np

    from appulse.registration import match_frame

    first, second = frames
    lists = [
        np.column_stack([survey.sources["x"], survey.sources["y"]])[:MOST_STARS] for survey in surveys
    ]
    ra, dec = first.to_sky(*lists[0].T)
    there = np.column_stack(second.to_pixel(ra, dec))
    ny, nx = second.data.shape
    inside = (there > -20).all(axis=1) & (there < [nx + 20, ny + 20]).all(axis=1)
    matched = match_frame(there[inside], lists[1], (ny, nx), second.pixel_scale, 3.0, far_arcsec=FAR_ARCSEC)
    if matched is None or len(matched.star) < 5:
        raise InputError(
            f"{first.name} and {second.name}: their stars do not match; are the plate solutions of one field?"
        )
    left = lists[1][matched.source] - matched.apply(there[inside][matched.star])
    used = np.hypot(*left.T) < 1.5
    rms = float(np.sqrt(np.mean(left[used] ** 2)))

    def to_second(x, y):
        sky = first.to_sky(x, y)
        return matched.apply(np.column_stack(second.to_pixel(*sky))).T

    return to_second, int(used.sum()), rms


def _on_grid(pixels, to_frame, shape):
    """A frame's pixels on the grid of another; NaN where it has none."""
    import numpy as np

    from appulse.registration import PixelMap, Spline

    ny, nx = shape
    where = PixelMap.through(to_frame, shape).rows(0, ny, nx)
    data = np.asarray(pixels, np.float32)
    bad = ~np.isfinite(data)
    plane = Spline(np.where(bad, np.nanmedian(data), data)).read(where)
    outside = (where < -0.5).any(axis=0) | (where[0] > data.shape[0] - 0.5) | (where[1] > data.shape[1] - 0.5)
    return np.where(outside, np.nan, plane)


def _box(points, shape) -> tuple[int, int, int, int]:
    """Columns and rows x0, y0, x1, y1 around points, wide enough to see the sky around them."""
    import numpy as np

    low, high = points.min(axis=0), points.max(axis=0)
    margin = max(LEAST_MARGIN_PX, 0.5 * float((high - low).max()))
    middle = (low + high) / 2
    half = np.minimum((high - low) / 2 + margin, MOST_SIDE_PX / 2)
    half = np.maximum(half, half.max() * 0.62)
    limits = np.array([shape[1], shape[0]])
    start = np.clip(np.floor(middle - half), 0, limits - 2).astype(int)
    end = np.clip(np.ceil(middle + half), start + 2, limits).astype(int)
    return int(start[0]), int(start[1]), int(end[0]), int(end[1])
