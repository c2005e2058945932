"""The application's frames and image viewers, as our actions need them."""

from echo import delay_callback
from glue.utils import defer_draw

from glue_appulse.data.frame_wcs import SkyProjector
from glue_appulse.data.kinds import FRAME, all_of, is_frame, kind_of
from glue_appulse.data.links import link_overlay, link_overlays
from glue_appulse.data.solved_frames import link_frames
from glue_appulse.host import breathe
from glue_appulse.layers.sky_layer import is_swapped, soften

#: Layers that are put into the viewers at once: more would hold the window up for longer than a moment.
AT_ONCE = 4


def frames_of(session) -> list:
    """Frames that are loaded."""
    return all_of(session.data_collection, FRAME)


def image_viewers(session) -> list:
    """Image viewers that show one of our frames."""
    from glue_qt.viewers.image import ImageViewer

    return [
        viewer
        for tab in session.application.viewers
        for viewer in tab
        if isinstance(viewer, ImageViewer) and any(is_frame(layer.layer) for layer in viewer.layers)
    ]


def shown_frames(session) -> list:
    """Frames in the viewer that has the focus, or all that are loaded."""
    viewer = getattr(session.application, "_viewer_in_focus", None)
    layers = getattr(viewer, "layers", [])
    shown = [
        layer.layer
        for layer in layers
        if layer.visible and is_frame(layer.layer) and layer.layer in session.data_collection
    ]
    return list(dict.fromkeys(shown)) or frames_of(session)


def show_frames(session, frames: list):
    """Open an image viewer with frames of a night, the first of them in sight."""
    from glue_qt.viewers.image import ImageViewer

    link_frames(session.data_collection)
    # the window, its first frame and the others are each a moment's work: what waits is done between them
    viewer = session.application.new_data_viewer(ImageViewer)
    viewer.viewer_size = (900, 720)
    words = f"showing {frames[0].label}"
    breathe(words)
    viewer.add_data(frames[0])
    breathe(words)
    soften(viewer.layers[0])
    _add_hidden(viewer, frames[1:])
    return viewer


# nothing that one sees changes: the viewer need not be drawn anew for every one of them
@defer_draw
def _add_hidden(viewer, frames):
    # glue looks at every layer again after each change of one: the changes of a piece are made known at once
    for piece in [frames[i : i + AT_ONCE] for i in range(0, len(frames), AT_ONCE)]:
        with delay_callback(viewer.state, "layers"):
            for data in piece:
                viewer.add_data(data)
            for layer in viewer.layers:
                if any(layer.layer is data for data in piece):
                    soften(layer)
                    layer.state.visible = False
        breathe(f"showing {piece[-1].label}")


def add_overlay(session, overlay, frames: list | None = None) -> list:
    """Put an overlay into the collection, link it to the frames and show it in their viewers."""
    collection = session.data_collection
    if overlay not in collection:
        collection.append(overlay)
    link_frames(collection)
    link_overlay(collection, overlay, frames)
    # Linked before it is shown: glue cannot draw what has no way to the reference image.
    viewers = image_viewers(session) or [show_frames(session, frames or frames_of(session))]
    for viewer in viewers:
        viewer.add_data(overlay)
    return viewers


def _linked(session, tracks):
    """Put tracks, or tails, into the collection with their links; those of the same name are replaced."""
    collection = session.data_collection
    # one search through the links for all of them
    with collection.delay_link_manager_update():
        for track in tracks:
            same = [data for data in all_of(collection, kind_of(track)) if data.label == track.label]
            for old in same:
                # a track that is computed anew, as for another site, keeps the colour the user knows it by
                track.style.color = old.style.color
                collection.remove(old)
            collection.append(track)
        link_frames(collection)
        link_overlays(collection, tracks)


def _shown(session, tracks):
    """Show tracks that are linked in the viewers of frames."""
    for viewer in image_viewers(session) or [show_frames(session, frames_of(session))]:
        for track in tracks:
            if track in session.data_collection:
                viewer.add_data(track)


def add_tracks(session, tracks: list):
    """Put tracks, or tails, into the collection and the viewers; one of the same name is replaced."""
    if tracks:
        _linked(session, tracks)
        _shown(session, tracks)


_waiting = []


def add_tracks_in_turn(session, tracks: list):
    """As :func:`add_tracks`, some at a time: the window lives on meanwhile."""
    from qtpy.QtCore import QTimer

    parts = [tracks[i : i + AT_ONCE] for i in range(0, len(tracks), AT_ONCE)]
    steps = [(step, part) for part in parts for step in (_linked, _shown)]
    for step, part in steps[:2]:
        step(session, part)
    rest = steps[2:]
    if not rest:
        return
    timer = QTimer(session.application)

    def some():
        step, part = rest.pop(0)
        step(session, part)
        if not rest:
            timer.stop()
            _waiting.remove(rest)

    _waiting.append(rest)
    timer.timeout.connect(some)
    # a window that is closed meanwhile takes its timer with it
    timer.destroyed.connect(lambda: rest in _waiting and _waiting.remove(rest))
    timer.start(0)


def all_added():
    """Wait until no track is left to add: for scripts."""
    from qtpy.QtWidgets import QApplication

    while _waiting:
        QApplication.processEvents()


def show_sky_of_pass(session, row: dict):
    """A viewer with the sky of one pass."""
    from glue_appulse.data.pass_data import sky_of
    from glue_appulse.data.tail_data import make_tails
    from glue_appulse.host import say
    from glue_appulse.inputs import open_orbits

    source = open_orbits()
    sky, outlines, track = sky_of(row, source.ephemeris)
    # Of a comet the tail is half of the pass; other bodies have none.
    tails, lines = make_tails(source, [sky], [str(row["designation"])])
    for line in lines:
        say(line)
    collection = session.data_collection
    for data in (sky, outlines, track, *tails):
        for old in [data_set for data_set in collection if data_set.label == data.label]:
            collection.remove(old)
        collection.append(data)
    viewer = show_frames(session, [sky])
    for overlay in (outlines, track, *tails):
        link_overlay(collection, overlay, [sky])
        viewer.add_data(overlay)
    return viewer


def show_stacks(session, stacks: list):
    """Show stacks as frames in a viewer of their own; those read from the same files before go."""
    if not stacks:
        return None
    collection, paths = session.data_collection, {data.meta["path"] for data in stacks}
    # Only viewers that show nothing but these stacks go; one with other frames beside stays.
    showing = [viewer for viewer in image_viewers(session) if _paths(viewer) <= paths]
    for old in [data for data in collection if data.meta.get("path") in paths]:
        collection.remove(old)
    for viewer in showing:
        viewer.close(warn=False)
    session.application.add_datasets(stacks)
    return show_frames(session, stacks)


def _paths(viewer):
    return {layer.layer.meta.get("path") for layer in viewer.layers if is_frame(layer.layer)}


def clicked_sky(viewer, x: float, y: float) -> tuple[float, float]:
    """ICRF place of a click."""
    reference = viewer.state.reference_data
    # the user may have put Declination on the x axis
    if is_swapped(viewer.state):
        x, y = y, x
    ra, dec = SkyProjector(reference.coords, reference.shape).to_sky(x, y)
    return float(ra), float(dec)


def top_frame(viewer):
    """The frame that one sees in a viewer: the visible one that is drawn last."""
    frames = [layer for layer in viewer.layers if layer.visible and is_frame(layer.layer)
              and layer.layer in viewer.session.data_collection]  # fmt: skip
    return max(frames, key=lambda layer: layer.state.zorder).layer if frames else None
