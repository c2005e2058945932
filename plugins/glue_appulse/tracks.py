"""Plugin: tracks of minor bodies, clouds of first orbits and parallax vectors as layers of image viewers."""

from glue_appulse.data import places_data
from glue_appulse.data.kinds import CLOUD, PARALLAX, TRACK, kind_of
from glue_appulse.host import desktop_running, is_image_viewer, notebook_running, once

PRIORITY = 20_000
"""Above glue's own reader of tables."""


def make_layer(viewer, layer):
    """Layer artist for a track or a selected stretch of one."""
    if kind_of(layer) != TRACK or not is_image_viewer(viewer):
        return None
    from glue.core.subset import Subset

    from glue_appulse.layers.track_layer import TrackLayerArtist, TrackSubsetArtist

    cls = TrackSubsetArtist if isinstance(layer, Subset) else TrackLayerArtist
    return viewer.get_layer_artist(cls, layer=layer)


def make_places_layer(viewer, layer):
    """Layer artist for a cloud of a first orbit, or the parallax vectors of several sites."""
    if kind_of(layer) not in (CLOUD, PARALLAX) or not is_image_viewer(viewer):
        return None
    from glue_appulse.layers.places_layer import CloudLayerArtist, ParallaxLayerArtist

    cls = CloudLayerArtist if kind_of(layer) == CLOUD else ParallaxLayerArtist
    return viewer.get_layer_artist(cls, layer=layer)


@once("tracks")
def _register():
    from glue.config import data_factory, layer_artist_maker

    layer_artist_maker.add("Tracks of minor bodies", make_layer)
    layer_artist_maker.add("Clouds and parallax vectors", make_places_layer)
    for label, identifier, load in (
        ("Cloud of a first orbit (ECSV)", places_data.is_cloud, places_data.load_cloud),
        ("Sightings of several sites (ECSV)", places_data.is_sightings, places_data.load_sightings),
    ):
        data_factory(label, identifier=identifier, priority=PRIORITY)(load)


def setup():
    """Entry point of glue."""
    _register()
    if notebook_running():
        from glue_appulse.jupyter import layer_options

        layer_options.register()
    if desktop_running():
        from glue_appulse.qt import menus

        menus.tracks()
