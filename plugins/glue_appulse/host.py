"""The glue that hosts us: registering with it once, sessions of earlier versions, lines in its console."""

import sys
from collections.abc import Callable

from appulse.files import harmless, shortened

#: What sessions of earlier versions name, and where it is now. glue looks a name up here before it imports.
SESSION_PATHS = {
    "glue_appulse.skywcs.FrameWCS": "glue_appulse.data.frame_wcs.FrameWCS",
    "glue_appulse.pixels.LazyPixels": "glue_appulse.data.solved_frames.LazyPixels",
    "glue_appulse.frames.load_solved_frame": "glue_appulse.data.solved_frames.load_solved_frame",
    "glue_appulse.encounters.load_passes": "glue_appulse.data.pass_data.load_passes",
    **{
        f"glue_appulse.layers.{before}.{name}": f"glue_appulse.layers.{now}.{name}"
        for before, now, name in (
            ("mark_layer", "measured_layer", "MarkLayerArtist"),
            ("mark_layer", "measured_layer", "MarkLayerState"),
            ("outline_artist", "outline_layer", "OutlineLayerArtist"),
            ("outline_state", "outline_layer", "OutlineLayerState"),
            ("track_artist", "track_layer", "TrackLayerArtist"),
            ("track_artist", "track_layer", "TrackSubsetArtist"),
            ("track_state", "track_layer", "TrackLayerState"),
            ("track_state", "track_layer", "TrackSubsetLayerState"),
        )
    },
}

_done = set()


def once(name: str) -> Callable:
    """Decorator: the function runs at the first call only."""

    def wrap(function):
        def run():
            if name not in _done:
                function()
                _done.add(name)

        return run

    return wrap


def desktop_running() -> bool:
    """Whether glue's Qt application is what loads the plugins."""
    # Its main module is imported before any plugin is, so no import is tried here and none can fail unseen.
    started = getattr(getattr(sys.modules.get("__main__"), "__spec__", None), "name", None)
    return started == "glue_qt.main" or "glue_qt.app" in sys.modules or "glue_qt.main" in sys.modules


def notebook_running() -> bool:
    """Whether glue's application for notebooks is what loads the plugins."""
    return "glue_jupyter.app" in sys.modules


#: Said where one of our layers is put into an image viewer of the other kind that notebooks have.
BQPLOT = (
    "tracks, outlines and measured places are not drawn in glue's bqplot image viewer, which takes no lines "
    "and words of ours: use its matplotlib one, imshow(widget='matplotlib'), or glue_appulse.jupyter.view"
)


def is_image_viewer(viewer) -> bool:
    """Whether a viewer is a matplotlib image viewer of any front end."""
    from glue.viewers.image.state import ImageViewerState

    if not isinstance(viewer.state, ImageViewerState):
        return False
    if not hasattr(viewer, "axes"):
        say(BQPLOT)
    return hasattr(viewer, "axes")


# glue shows what comes by standard error in its console and turns the button red. Nothing waits for a click,
# so a batch or a script goes on.
def say(line: str):
    """Show one line; names of files and designations in it come from others."""
    sys.stderr.write(f"appulse: {shortened(harmless(line))}\n")


#: Set by the desktop: shows a line in a box that waits for nobody.
show_box = None


def warn(line: str):
    """Show one line where it cannot be overlooked: in a box as well, where there is one."""
    say(line)
    if show_box is not None:
        show_box(line)


#: Set by the desktop: takes words, and lets the window live for a moment.
let_live = None


def breathe(words: str):
    """Between two pieces of long work that only the interface thread can do."""
    if let_live is not None:
        let_live(words)


def open_earlier_sessions():
    """Let glue find what sessions of earlier versions name."""
    from glue.core.state import PATH_PATCHES

    PATH_PATCHES.update(SESSION_PATHS)
