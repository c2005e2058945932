"""Registering with glue once, however often glue or a test calls ``setup``."""

import sys

_done = set()


def once(name):
    """Decorator: the function runs at the first call only.

    Parameters
    ----------
    name : str
        Unique over the package.

    Returns
    -------
    callable

    Examples
    --------
    >>> calls = []
    >>> register = once("doctest")(lambda: calls.append(1))
    >>> register(); register(); calls
    [1]
    """

    def wrap(function):
        def run():
            if name not in _done:
                function()
                _done.add(name)

        return run

    return wrap


def desktop_running():
    """Whether glue's Qt application is what loads the plugins.

    Its main module is imported before any plugin is, so no import is tried here and none can fail unseen.

    Returns
    -------
    bool
    """
    started = getattr(getattr(sys.modules.get("__main__"), "__spec__", None), "name", None)
    return started == "glue_qt.main" or "glue_qt.app" in sys.modules or "glue_qt.main" in sys.modules


def is_image_viewer(viewer):
    """Whether a viewer is a matplotlib image viewer of any front end.

    Parameters
    ----------
    viewer : glue.viewers.common.viewer.Viewer

    Returns
    -------
    bool
    """
    from glue.viewers.image.state import ImageViewerState

    return isinstance(viewer.state, ImageViewerState) and hasattr(viewer, "axes")
