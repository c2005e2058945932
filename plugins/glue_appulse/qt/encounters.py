"""Desktop part of the encounters plugin: the sky of the selected pass."""

from glue_appulse.encounters import PASSES, chosen_row, sky_of
from glue_appulse.kinds import all_of
from glue_appulse.notices import say


def register():
    """Register with glue's desktop application."""
    from glue_qt.config import menubar_plugin

    menubar_plugin.add("Sky of the selected pass", show_selected)


def show_selected(session, data_collection):
    """Open a viewer with the sky of the selected pass; says what is missing where nothing can be shown.

    Parameters
    ----------
    session : glue.core.session.Session
    data_collection : glue.core.data_collection.DataCollection

    Returns
    -------
    glue_qt.viewers.image.ImageViewer or None
    """
    from appulse.errors import AppulseError

    try:
        row = chosen_row(selected_layer(data_collection))
        return open_sky(session, row)
    except (AppulseError, ValueError) as error:
        say(str(error))
        return None


def selected_layer(data_collection):
    """The selected rows of the newest table of passes, or the table itself.

    Raises
    ------
    ValueError
        No table of passes is open.
    """
    tables = all_of(data_collection, PASSES)
    if not tables:
        raise ValueError("no table of passes is open; open one that 'appulse encounters' wrote")
    table = tables[-1]
    chosen = [subset for subset in table.subsets if subset.to_mask().any()]
    return chosen[-1] if chosen else table


def open_sky(session, row):
    """A viewer with the sky of one pass.

    Parameters
    ----------
    session : glue.core.session.Session
    row : dict
        From :func:`glue_appulse.encounters.chosen_row`.

    Returns
    -------
    glue_qt.viewers.image.ImageViewer
    """
    from glue_appulse.links import link_overlay
    from glue_appulse.sources import open_orbits
    from glue_appulse.qt.desk import show_frames

    sky, outlines, track = sky_of(row, open_orbits().ephemeris)
    collection = session.data_collection
    for data in (sky, outlines, track):
        for old in [one for one in collection if one.label == data.label]:
            collection.remove(old)
        collection.append(data)
    viewer = show_frames(session, [sky])
    for overlay in (outlines, track):
        link_overlay(collection, overlay, [sky])
        viewer.add_data(overlay)
    return viewer
