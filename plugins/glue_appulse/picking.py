"""Which body or object is meant by a click."""

import numpy as np

from glue_appulse.kinds import TRACK, all_of, is_frame
from glue_appulse.layers.base import frame_key
from glue_appulse.layers.outline_model import contains
from glue_appulse.layers.track_model import TrackModel
from glue_appulse.skywcs import SkyProjector


def clicked_sky(viewer, x, y):
    """ICRF place of a click.

    Parameters
    ----------
    viewer : glue.viewers.common.viewer.Viewer
        An image viewer.
    x, y : float
        Data coordinates: zero-based pixels of its reference image.

    Returns
    -------
    (float, float)
        Degrees.
    """
    from glue_appulse.layers.base import is_swapped

    reference = viewer.state.reference_data
    if is_swapped(viewer.state):
        x, y = y, x
    ra, dec = SkyProjector(reference.coords, reference.shape).to_sky(x, y)
    return float(ra[0]), float(dec[0])


def top_frame(viewer):
    """The frame that one sees in a viewer: the visible one that is drawn last.

    Parameters
    ----------
    viewer : glue.viewers.common.viewer.Viewer

    Returns
    -------
    glue.core.data.Data or None
    """
    frames = [layer for layer in viewer.layers if layer.visible and is_frame(layer.layer)
              and layer.layer in viewer.session.data_collection]  # fmt: skip
    return max(frames, key=lambda layer: layer.state.zorder).layer if frames else None


def nearest_track(data_collection, frame, ra, dec):
    """Track whose place in a frame lies nearest to a point.

    Parameters
    ----------
    data_collection : glue.core.data_collection.DataCollection
    frame : glue.core.data.Data
    ra, dec : float
        ICRF degrees.

    Returns
    -------
    track : glue.core.data.Data or None
    distance_px : float
        Pixels of the frame; infinite where there is no track.
    """
    projector = SkyProjector(frame.coords, frame.shape)
    x, y = projector.to_pixel([ra], [dec])
    best, least = None, np.inf
    for track in all_of(data_collection, TRACK):
        for place in TrackModel.from_data(track).places:
            if place.frame != frame_key(frame):
                continue
            px, py = projector.to_pixel([place.ra], [place.dec])
            distance = float(np.hypot(px - x, py - y)[0])
            if distance < least:
                best, least = track, distance
    return best, least


def object_at(outlines, ra, dec):
    """Row of the smallest outline around a point, or of the nearest point-like object within 2 arcmin.

    Parameters
    ----------
    outlines : glue.core.data_region.RegionData
    ra, dec : float
        ICRF degrees.

    Returns
    -------
    int or None
    """
    shapes = outlines[outlines.extended_component_id]
    sizes = np.nan_to_num(np.asarray(outlines["major axis"], float))
    around = [i for i, shape in enumerate(shapes) if contains(shape, ra, dec)]
    if around:
        return min(around, key=lambda i: sizes[i])
    east = (np.asarray(outlines["RA"], float) - ra + 180) % 360 - 180
    apart = np.hypot(east * np.cos(np.radians(dec)), np.asarray(outlines["Dec"], float) - dec)
    nearest = int(np.argmin(apart))
    return nearest if apart[nearest] < 2 / 60 and shapes[nearest].geom_type == "Point" else None
