"""Frames of a session whose files have gone elsewhere: looked for, asked for, never fatal."""

import json
import os
from pathlib import Path

from glue_appulse.kinds import FRAME, KIND_KEY
from glue_appulse.notices import say

#: Folders where a moved frame was found in this run; the others of its night are mostly there too.
_folders = []
#: Set by a front end: takes a file's name, returns a folder or None.
ask_folder = None


def find_moved(path):
    """Where a frame's file is now.

    Parameters
    ----------
    path : str or pathlib.Path

    Returns
    -------
    pathlib.Path or None
        The path itself where it exists; else the same name in the current folder (a session's own, while
        it is being restored), in the folders of APPULSE_FRAMES, or where an earlier one was found.
    """
    path = Path(path)
    if path.is_file():
        return path
    listed = [Path(p) for p in os.environ.get("APPULSE_FRAMES", "").split(os.pathsep) if p]
    for folder in [*_folders, Path.cwd(), *listed]:
        if (folder / path.name).is_file():
            return _remember(folder, path)
    folder = ask_folder(path.name) if ask_folder is not None else None
    if folder is not None and (Path(folder) / path.name).is_file():
        return _remember(Path(folder), path)
    return None


def _remember(folder, path):
    if folder not in _folders:
        _folders.insert(0, folder)
    return (folder / path.name).resolve()


def stand_in(path, kept):
    """A frame without pixels in the place of one whose file is missing.

    Parameters
    ----------
    path : str or pathlib.Path
    kept : str or None
        What :func:`glue_appulse.frames.note_for_sessions` noted.

    Returns
    -------
    glue.core.data.Data

    Raises
    ------
    FileNotFoundError
        Nothing was noted.
    """
    from glue.core import Data

    from glue_appulse.pixels import BlankSource, LazyPixels
    from glue_appulse.skywcs import FrameWCS

    name = Path(path).name
    if not kept:
        raise FileNotFoundError(f"{path} does not exist")
    record = json.loads(kept)
    shape = tuple(record["shape"])
    say(
        f"{name} is not at {Path(path).parent}; its overlays and measurements stay, its pixels are blank. "
        "Put its folder into APPULSE_FRAMES, or move it beside the session, and open the session again"
    )
    data = Data(label=Path(path).name, coords=FrameWCS._from_cards(record["cards"], shape))
    for plane in record["planes"]:
        data.add_component(LazyPixels(BlankSource(shape), name=plane, shape=shape), plane)
    data.meta.update(record["meta"], **{KIND_KEY: FRAME})
    return data
