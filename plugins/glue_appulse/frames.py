"""Plugin: solved frames open through glue's ordinary menu and carry time, site and WCS."""

from glue_appulse.data import links
from glue_appulse.data.kinds import FRAME, kind_of
from glue_appulse.data.solved_frames import is_solved_frame, link_frames, load_solved_frame
from glue_appulse.host import desktop_running, once, open_earlier_sessions

#: Above every reader of glue, which ends at 1000.
PRIORITY = 20_000
LABEL = "Solved frame (FITS with celestial WCS)"


class _WithoutLinkedFrames:
    """A collection in which all our frames but the first are hidden: they hang on that one already."""

    def __init__(self, data_collection):
        frames = [data for data in data_collection if kind_of(data) == FRAME]
        self._data = [data for data in data_collection if data not in frames[1:]]
        self.external_links = data_collection.external_links

    def __iter__(self):
        return iter(self._data)


@once("frames")
def _register():
    from glue.config import autolinker, data_factory
    from glue.plugins.wcs_autolinking import wcs_autolinking  # noqa: F401  registers what is narrowed below

    open_earlier_sessions()
    links.install()
    data_factory(LABEL, identifier=is_solved_frame, priority=PRIORITY)(load_solved_frame)
    # glue would ask, in a dialog, about every pair of sixty frames; ours are linked star-shaped and batched
    for i, (label, function) in enumerate(autolinker.members):
        if label == "Astronomy WCS":
            autolinker.members[i] = (label, lambda dc, inner=function: inner(_WithoutLinkedFrames(dc)))
    autolinker("appulse frames")(link_frames)


def setup():
    """Entry point of glue."""
    _register()
    if desktop_running():
        from glue_appulse.qt import menus

        menus.frames()
