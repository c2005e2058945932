"""Overlays follow a frame into a new viewer, or come back on request."""

import numpy as np
from qtpy.QtCore import QTimer

from glue_appulse.data.frame_wcs import SkyProjector
from glue_appulse.data.kinds import (
    CLOUD,
    OUTLINES,
    PARALLAX,
    RESIDUALS,
    TAILS,
    TRACK,
    all_of,
    is_frame,
    kind_of,
)
from glue_appulse.data.links import link_overlay
from glue_appulse.host import say
from glue_appulse.qt.desk import image_viewers
from glue_appulse.qt.kept_views import ViewKeeper


def lies_in(overlay, frame) -> bool:
    """Whether an overlay has anything to show in a frame."""
    if kind_of(overlay) == RESIDUALS:
        return frame.label in set(overlay.get_component("frame").labels)
    columns = (overlay.id["RA"], overlay.id["Dec"])
    ra, dec = (np.asarray(overlay[column], float) for column in columns)
    x, y = SkyProjector(frame.coords, frame.shape).to_pixel(ra, dec)
    rows, columns = frame.shape
    return bool(np.any((x > -0.5) & (x < columns - 0.5) & (y > -0.5) & (y < rows - 0.5)))


def overlays_for(session, frame) -> list:
    """Loaded overlays that show something in a frame."""
    kinds = (OUTLINES, TAILS, TRACK, CLOUD, PARALLAX, RESIDUALS)
    loaded = [data for kind in kinds for data in all_of(session.data_collection, kind)]
    return [data for data in loaded if lies_in(data, frame)]


def bring(viewer) -> list:
    """Put the loaded overlays of its reference frame into a viewer."""
    frame, session = viewer.state.reference_data, viewer.session
    open_now = any(viewer is shown for tab in session.application.viewers for shown in tab)
    if not open_now or not is_frame(frame) or frame not in session.data_collection:
        return []
    here = [layer.layer for layer in viewer.layers]
    fresh = [data for data in overlays_for(session, frame) if not any(data is shown for shown in here)]
    for overlay in fresh:
        link_overlay(session.data_collection, overlay, [frame])
        viewer.add_data(overlay)
    return fresh


def follow(viewer):
    """Let overlays follow the first frame into a viewer that is just open, and look after its frames."""
    ViewKeeper(viewer)
    # A viewer that a session brings back knows its frame already, and keeps the layers it was saved with.
    state = viewer.state
    if state.reference_data is not None:
        return

    def first_frame(_reference):
        state.remove_callback("reference_data", first_frame)
        later.start(0)  # glue is in the middle of adding the frame

    later = QTimer(viewer)
    later.setSingleShot(True)
    later.timeout.connect(lambda: bring(viewer))
    state.add_callback("reference_data", first_frame)


def show_overlays(session, _data_collection=None) -> list:
    """Menu action: bring the overlays into the viewer with the focus, or into every image viewer."""
    viewers = image_viewers(session)
    focus = getattr(session.application, "_viewer_in_focus", None)
    chosen = [viewer for viewer in viewers if viewer is focus] or viewers
    if not chosen:
        say("no viewer shows a solved frame; open one with File > Open Data Set")
    return [data for viewer in chosen for data in bring(viewer)]
