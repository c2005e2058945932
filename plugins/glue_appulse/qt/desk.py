"""The application's frames and image viewers, as our actions need them."""

from glue_appulse.frames import link_frames
from glue_appulse.kinds import FRAME, TRACK, all_of, is_frame
from glue_appulse.links import link_overlay


def frames_of(session):
    """Frames that are loaded.

    Parameters
    ----------
    session : glue.core.session.Session

    Returns
    -------
    list of glue.core.data.Data
    """
    return all_of(session.data_collection, FRAME)


def image_viewers(session):
    """Image viewers that show one of our frames.

    Parameters
    ----------
    session : glue.core.session.Session

    Returns
    -------
    list of glue_qt.viewers.image.ImageViewer
    """
    from glue_qt.viewers.image import ImageViewer

    return [
        viewer
        for tab in session.application.viewers
        for viewer in tab
        if isinstance(viewer, ImageViewer) and any(is_frame(layer.layer) for layer in viewer.layers)
    ]


def shown_frames(session):
    """Frames in the viewer that has the focus, or all that are loaded.

    Parameters
    ----------
    session : glue.core.session.Session

    Returns
    -------
    list of glue.core.data.Data
    """
    viewer = getattr(session.application, "_viewer_in_focus", None)
    layers = getattr(viewer, "layers", [])
    shown = [
        layer.layer
        for layer in layers
        if layer.visible and is_frame(layer.layer) and layer.layer in session.data_collection
    ]
    return list(dict.fromkeys(shown)) or frames_of(session)


def show_frames(session, frames):
    """Open an image viewer with frames of a night, the first of them in sight.

    Parameters
    ----------
    session : glue.core.session.Session
    frames : list of glue.core.data.Data

    Returns
    -------
    glue_qt.viewers.image.ImageViewer
    """
    from glue_qt.viewers.image import ImageViewer

    link_frames(session.data_collection)
    viewer = session.application.new_data_viewer(ImageViewer, data=frames[0])
    viewer.viewer_size = (900, 720)
    for data in frames[1:]:
        viewer.add_data(data)
    for layer in viewer.layers:
        soften(layer)
        layer.state.visible = layer.layer is frames[0]
    return viewer


def soften(layer):
    """Show stars and nebulae of a frame at once: a gentle stretch between sky and bright stars.

    Parameters
    ----------
    layer : glue.viewers.image.layer_artist.ImageLayerArtist
    """
    if not is_frame(layer.layer) or not hasattr(layer.state, "stretch"):
        return
    layer.state.percentile = 99.5
    layer.state.stretch = "arcsinh"


def add_overlay(session, overlay, frames=None):
    """Put an overlay into the collection, link it to the frames and show it in their viewers.

    Parameters
    ----------
    session : glue.core.session.Session
    overlay : glue.core.data.Data
    frames : list of glue.core.data.Data or None
        Frames to link to; None: all.

    Returns
    -------
    list of glue_qt.viewers.image.ImageViewer
        Viewers that show it now; one is opened where none shows a frame.
    """
    collection = session.data_collection
    if overlay not in collection:
        collection.append(overlay)
    link_frames(collection)
    link_overlay(collection, overlay, frames)
    viewers = image_viewers(session) or [show_frames(session, frames or frames_of(session))]
    for viewer in viewers:
        viewer.add_data(overlay)
    return viewers


def add_tracks(session, tracks):
    """Put tracks into the collection and into the viewers; a track of the same name is replaced.

    Parameters
    ----------
    session : glue.core.session.Session
    tracks : list of glue.core.data.Data
    """
    for track in tracks:
        for old in [data for data in all_of(session.data_collection, TRACK) if data.label == track.label]:
            track.style.color = old.style.color
            session.data_collection.remove(old)
        add_overlay(session, track)
