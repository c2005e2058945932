"""Plugin: solved frames open through glue's ordinary menu and carry time, site and WCS."""

import json
import weakref
from functools import lru_cache
from pathlib import Path

from glue_appulse import fastlinks
from glue_appulse.kinds import FRAME, KIND_KEY, kind_of
from glue_appulse.notices import say
from glue_appulse.registry import desktop_running, once

#: Above every reader of glue, which ends at 1000.
PRIORITY = 20_000
SUFFIXES = (".fits", ".fit", ".fts", ".fits.gz", ".fit.gz", ".fts.gz", ".fits.fz", ".fit.fz")
LABEL = "Solved frame (FITS with celestial WCS)"
#: Key of the load log's keywords under which a frame leaves what is needed when its file has moved.
KEPT = "kept"

_frames = weakref.WeakKeyDictionary()


@lru_cache(maxsize=4)
def _read(path, _stamp):
    from appulse.frames.reading import read_frame

    return read_frame(path, require=("wcs",))


def _solved(path):
    stat = Path(path).stat()
    return _read(str(path), (stat.st_mtime_ns, stat.st_size))


def is_solved_frame(path, **_kwargs):
    """Whether a file is a frame with a celestial WCS; glue's own reader takes what is not.

    Parameters
    ----------
    path : str
    **_kwargs
        Of other readers; not used.

    Returns
    -------
    bool
    """
    from appulse.errors import AppulseError

    if not str(path).lower().endswith(SUFFIXES):
        return False
    try:
        _solved(path)
    except AppulseError as exc:
        say(f"{exc} (opened as plain data, without overlays)")
        return False
    except ImportError as exc:
        # glue passes over a reader whose import fails without a word
        say(f"the reader of solved frames is broken: {exc}; run 'appulse doctor'")
        raise
    except OSError:
        return False
    return True


def load_solved_frame(path, **kwargs):
    """Read a solved frame as a glue data set.

    Parameters
    ----------
    path : str
    **kwargs
        ``kept``: what an earlier session noted down, for the case that the file is not there.

    Returns
    -------
    glue.core.data.Data
    """
    from glue_appulse.moved import find_moved, stand_in

    found = find_moved(path)
    if found is None:
        return stand_in(path, kwargs.get(KEPT))
    return frame_data(_solved(found))


def frame_data(frame):
    """A glue data set of a solved frame.

    Parameters
    ----------
    frame : appulse.frames.frame.SolvedFrame

    Returns
    -------
    glue.core.data.Data
        Component ``pixels``, and ``red``, ``green``, ``blue`` of a colour frame, read when looked at.
    """
    from glue.core import Data

    from glue_appulse.frame_meta import describe
    from glue_appulse.pixels import FrameSource, LazyPixels
    from glue_appulse.skywcs import FrameWCS

    shape = tuple(frame.shape)
    label = frame.name or "frame"
    data = Data(label=label, coords=FrameWCS.from_wcs(frame.wcs, shape))
    source = FrameSource(frame)
    planes = ["pixels", *(["red", "green", "blue"] if frame.is_colour else [])]
    for name in planes:
        data.add_component(LazyPixels(source, name=name, shape=shape), name)
    data.meta.update(describe(frame), **{KIND_KEY: FRAME})
    _frames[data] = frame
    return data


def frame_of(data):
    """The solved frame behind a data set.

    Parameters
    ----------
    data : glue.core.data.Data
        Of kind 'frame', opened in this run or restored from a session.

    Returns
    -------
    appulse.frames.frame.SolvedFrame

    Raises
    ------
    ValueError
        The data set is no frame.
    """
    if kind_of(data) != FRAME:
        raise ValueError(f"'{data.label}' is not a solved frame; open one with File > Open Data Set")
    if data not in _frames:
        from glue_appulse.frame_meta import rebuild

        path = data.meta.get("path")
        _frames[data] = _solved(path) if path and Path(path).is_file() else rebuild(data)
    return _frames[data]


def replace_frame(data, frame):
    """Put another reading of the same file behind a data set, such as one with a site given.

    Parameters
    ----------
    data : glue.core.data.Data
    frame : appulse.frames.frame.SolvedFrame
    """
    from glue_appulse.frame_meta import describe

    data.meta.update(describe(frame), **{KIND_KEY: FRAME})
    _frames[data] = frame


def note_for_sessions(data):
    """Leave in a data set's load log what a session needs when the file has moved.

    Parameters
    ----------
    data : glue.core.data.Data
    """
    log = getattr(data, "_load_log", None)
    if log is None or KEPT in log.kwargs:
        return
    meta = {key: value for key, value in data.meta.items() if isinstance(value, str | int | float)}
    planes = [cid.label for cid in data.main_components]
    cards = data.coords.to_header(relax=True).tostring()
    log.kwargs[KEPT] = json.dumps({"cards": cards, "shape": list(data.shape), "planes": planes, "meta": meta})


def link_frames(data_collection):
    """Link the frames of a collection that are not linked yet, all at once.

    glue calls it as an autolinker whenever data sets were opened. Nothing is left to be asked about.

    Parameters
    ----------
    data_collection : glue.core.data_collection.DataCollection

    Returns
    -------
    list
        Empty: no suggestion stays open.
    """
    from glue_appulse.kinds import all_of
    from glue_appulse.links import frame_links

    for data in all_of(data_collection, FRAME):
        note_for_sessions(data)
    links = frame_links(data_collection)
    if links:
        data_collection.add_link(links)
    return []


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

    fastlinks.install()
    data_factory(LABEL, identifier=is_solved_frame, priority=PRIORITY)(load_solved_frame)
    # glue would ask, in a dialog, about every pair of sixty frames; ours are linked star-shaped and batched
    for i, (label, function) in enumerate(autolinker.members):
        if label == "Astronomy WCS":
            autolinker.members[i] = (label, lambda dc, inner=function: inner(_WithoutLinkedFrames(dc)))
    autolinker("appulse frames")(link_frames)


@once("frames, desktop")
def _register_desktop():
    from glue_appulse.qt import frames

    frames.register()


def setup():
    """Entry point of glue."""
    _register()
    if desktop_running():
        _register_desktop()
