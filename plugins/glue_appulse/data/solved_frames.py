"""Solved frames as glue data sets: read, described for sessions, rebuilt, looked for where they have moved.

::

    file --> read_frame --> SolvedFrame --> frame_data --> Data (lazy pixels, FrameWCS, meta)
    session --> Data --> frame_of --> the file again, or rebuild (meta alone)
    session, file gone --> find_moved --> stand_in (blank pixels, overlays stay)
"""

import json
import os
import threading
import weakref
from collections import OrderedDict
from contextlib import contextmanager
from functools import lru_cache
from pathlib import Path

import numpy as np
from astropy.time import Time
from glue.core.component import Component

from glue_appulse.data.frame_wcs import FrameWCS
from glue_appulse.data.kinds import FRAME, KIND_KEY, from_json, kind_of, to_json
from glue_appulse.host import breathe, say, warn
from glue_appulse.layers.sky_layer import CHECKSUM_KEY

SUFFIXES = (".fits", ".fit", ".fts", ".fits.gz", ".fit.gz", ".fts.gz", ".fits.fz", ".fit.fz")
#: Key of the load log's keywords under which a frame leaves what is needed when its file has moved.
KEPT = "kept"

_frames = weakref.WeakKeyDictionary()


# glue asks for a file twice, whether it is ours and for its data: the header is read once.
@lru_cache(maxsize=4)
def _read(path, _stamp):
    from appulse.frames import read_frame

    return read_frame(path, require=("wcs",))


def _solved(path):
    # the stamp is part of the key: a file that was solved anew is read again
    stat = Path(path).stat()
    return _read(str(path), (stat.st_mtime_ns, stat.st_size))


def is_solved_frame(path: str, **kwargs) -> bool:
    """Whether a file is a frame with a celestial WCS, or a damaged one; glue's own reader takes the rest."""
    from appulse.errors import FrameError, FrameFileError

    # of a session that glue opened by its search for a reader: ours even where the file is gone by now
    if kwargs.get(KEPT):
        return True
    if not str(path).lower().endswith(SUFFIXES):
        return False
    try:
        _solved(path)
    except FrameFileError:
        return not Path(path).is_dir()  # ours to name: glue would stop at it, and open none of the others
    except FrameError as exc:
        # Tables, cubes and spectra are nobody's frames, and no reason for a word.
        if type(exc) is not FrameError:
            say(f"{exc} (opened as plain data, without overlays)")
        return False
    except ImportError as exc:
        # glue passes over a reader whose import fails without a word
        say(f"the reader of solved frames is broken: {exc}; run 'appulse doctor'")
        raise
    except OSError:
        return False
    return True


def load_solved_frame(path: str, **kwargs):
    """Read a solved frame as a glue data set; of a damaged file none, and a line in a box."""
    from appulse.errors import FrameError, FrameFileError

    breathe(f"opening {Path(path).name}")
    found = find_moved(path)
    if found is None:
        return stand_in(path, kwargs.get(KEPT), f"is not at {Path(path).parent}", MOVED)
    try:
        return frame_data(_solved(found))
    except FrameError as exc:
        words = str(exc).removeprefix(f"{found.name}: ")
        if kwargs.get(KEPT):
            return stand_in(path, kwargs[KEPT], words, "Put the file right, and open the session again")
        if not isinstance(exc, FrameFileError):
            raise
        if _left_out:
            _left_out[-1].append(str(exc))
        else:
            warn(f"left out: {exc}")
        return []


#: Lists that gather why files were left out, of the callers that want to know.
_left_out = []


@contextmanager
def left_out():
    """Within the block the caller says what is left out: a list of why, which grows."""
    _left_out.append([])
    try:
        yield _left_out[-1]
    finally:
        _left_out.pop()


def frame_data(frame):
    """A glue data set of a solved frame."""
    from glue.core import Data

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
    """The solved frame behind a data set."""
    if kind_of(data) != FRAME:
        raise ValueError(f"'{data.label}' is not a solved frame; open one with File > Open Data Set")
    if data not in _frames:
        # Restored from a session: the file again where it is at hand, for only it knows the header.
        path = data.meta.get("path")
        _frames[data] = _solved(path) if path and Path(path).is_file() else rebuild(data)
    return _frames[data]


def require_time_and_site(frame):
    """Refuse a frame for which no body can be predicted, with the remedy."""
    from appulse.errors import FrameError

    if frame.exposure is None or frame.observer is None:
        lacks = "time" if frame.exposure is None else "site"
        raise FrameError(f"{frame.name} has no {lacks}; give it in Plugins > Set-up (site, time, camera)…")


def replace_frame(data, frame):
    """Put another reading of the same file behind a data set, such as one with a site given."""
    data.meta.update(describe(frame), **{KIND_KEY: FRAME})
    _frames[data] = frame


def note_for_sessions(data):
    """Leave in a data set's load log what a session needs when the file has moved."""
    log = getattr(data, "_load_log", None)
    if log is None or KEPT in log.kwargs:
        return
    # The load log is the one part of a data set that glue keeps in a session by path.
    meta = {key: value for key, value in data.meta.items() if isinstance(value, str | int | float)}
    planes = [cid.label for cid in data.main_components]
    cards = data.coords.to_header(relax=True).tostring()
    log.kwargs[KEPT] = json.dumps({"cards": cards, "shape": list(data.shape), "planes": planes, "meta": meta})


def remember_file(data, path: str | Path):
    """Let sessions keep a frame that we have read ourselves by its path, as those that glue has read."""
    from glue.core.data_factories.helpers import LoadLog

    log = LoadLog(str(path), load_solved_frame, {})
    log.log(data)
    # glue keeps the components by their number, in the order in which its own reader has met them
    for cid in [*data.coordinate_components, *data.main_components]:
        log.log(data.get_component(cid))


def name_apart(frames: list):
    """Give frames of one file name labels that differ: with the folder before it, else with a number."""
    taken = set()
    for data in frames:
        name, path = data.label, data.meta.get("path")
        if name in taken and path and Path(path).name == name:
            name = f"{Path(path).parent.name}/{name}"
        number, plain = 2, name
        while name in taken:
            name, number = f"{plain} ({number})", number + 1
        if name != data.label:
            data.label = name
        taken.add(name)


def link_frames(data_collection) -> list:
    """Link the frames of a collection that are not linked yet, all at once."""
    # glue calls it as an autolinker whenever data sets were opened. Nothing is left to be asked about.
    from glue_appulse.data.kinds import all_of
    from glue_appulse.data.links import frame_links

    name_apart(all_of(data_collection, FRAME))
    for data in all_of(data_collection, FRAME):
        note_for_sessions(data)
    links = frame_links(data_collection)
    if links:
        data_collection.add_link(links)
    return []


# --- what a session keeps: Time, Site and Camera would vanish from Data.meta without a word
EXPOSURE_KEY, OBSERVER_KEY, CAMERA_KEY = "appulse_exposure", "appulse_observer", "appulse_camera"
NOT_GIVEN = "not given"
CAMERA_FIELDS = ("gain_e_adu", "read_noise_e", "saturation_adu", "dark_e_s")


def _iso(time):
    return time.utc.isot


def _exposure_record(exposure):
    if exposure is None:
        return None
    intervals = exposure.intervals
    return {
        "start": _iso(exposure.start),
        "end": _iso(exposure.end),
        "mid": _iso(exposure.mid),
        "seconds": float(exposure.seconds),
        "n_sub": int(exposure.n_sub),
        "derivation": str(exposure.derivation),
        "intervals": None if intervals is None else [[_iso(a), _iso(b)] for a, b in intervals],
        "clock_sigma_s": None if exposure.clock_sigma_s is None else float(exposure.clock_sigma_s),
    }


def observer_record(observer) -> dict | None:
    """A site or a spacecraft's vector as plain values that a session keeps."""
    if observer is None:
        return None
    record = {"name": observer.name, "code": observer.code}
    if hasattr(observer, "itrs_m"):
        return record | {"itrs_m": list(observer.itrs_m), "source": observer.source}
    return record | {
        "origin": observer.origin,
        "time": _iso(observer.time),
        "position_au": np.asarray(observer.position_au).tolist(),
        "velocity_au_d": np.asarray(observer.velocity_au_d).tolist(),
        "span_s": observer.span_s,
    }


def _camera_record(camera):
    values = {name: getattr(camera, name, None) for name in CAMERA_FIELDS}
    return {name: [float(v.value), str(v.source)] for name, v in values.items() if v is not None}


def describe(frame):
    """Metadata of a frame's data set: words for people, and records from which the frame can be rebuilt."""
    exposure, observer = frame.exposure, frame.observer
    ra, dec = frame.centre
    words = {
        "path": "" if frame.path is None else str(frame.path),
        CHECKSUM_KEY: frame.checksum or "",
        "mid-exposure (UTC)": NOT_GIVEN if exposure is None else _iso(exposure.mid),
        "time from": NOT_GIVEN if exposure is None else str(exposure.derivation),
        "light collected (s)": NOT_GIVEN if exposure is None else float(exposure.seconds),
        "site": NOT_GIVEN if observer is None else str(observer.name or observer.code or "unnamed"),
        "pixel scale (arcsec)": round(float(frame.pixel_scale), 5),
        "rotation (deg E of N)": round(float(frame.rotation_deg), 3),
        "sky": "as seen" if frame.parity > 0 else "mirrored",
        "centre RA (deg)": float(ra),
        "centre Dec (deg)": float(dec),
        "filter": frame.filter or NOT_GIVEN,
        "notes": "; ".join(frame.notes),
    }
    records = {
        EXPOSURE_KEY: _exposure_record(exposure),
        OBSERVER_KEY: observer_record(observer),
        CAMERA_KEY: _camera_record(frame.camera),
    }
    return words | {key: to_json(value) for key, value in records.items()}


def _exposure(record):
    from appulse.frames import Exposure

    if not record:
        return None
    times = {name: Time(record[name], scale="utc") for name in ("start", "end", "mid")}
    intervals = record["intervals"]
    if intervals is not None:
        intervals = tuple((Time(a, scale="utc"), Time(b, scale="utc")) for a, b in intervals)
    return Exposure(
        **times,
        intervals=intervals,
        **{name: record[name] for name in ("seconds", "n_sub", "derivation", "clock_sigma_s")},
    )


def observer_of_record(record: dict | None):
    """Inverse of :func:`observer_record`."""
    if not record:
        return None
    if "itrs_m" in record:
        from appulse.observers import Site

        return Site(
            name=record["name"], code=record["code"], itrs_m=tuple(record["itrs_m"]), source=record["source"]
        )
    from appulse.observers import SpacecraftVector

    return SpacecraftVector(
        name=record["name"],
        code=record["code"],
        origin=record["origin"],
        time=Time(record["time"], scale="utc"),
        position_au=np.array(record["position_au"]),
        velocity_au_d=np.array(record["velocity_au_d"]),
        span_s=record.get("span_s"),  # sessions of earlier versions have none
    )


def rebuild(data):
    """A solved frame from a data set whose file is not at hand."""
    from appulse.frames import Camera, SolvedFrame, Valued

    records = {key: from_json(data.meta.get(key)) for key in (EXPOSURE_KEY, OBSERVER_KEY, CAMERA_KEY)}
    camera = Camera(**{name: Valued(*value) for name, value in (records[CAMERA_KEY] or {}).items()})
    return SolvedFrame.from_arrays(
        np.asarray(data["pixels"]),
        data.coords,
        _exposure(records[EXPOSURE_KEY]),
        observer_of_record(records[OBSERVER_KEY]),
        camera=camera,
        label=data.label,
    )


#: Folders where a moved frame was found in this run; the others of its night are mostly there too.
_folders = []
#: Set by a front end: takes a file's name, returns a folder or None.
ask_folder = None


def find_moved(path: str | Path) -> Path | None:
    """Where a frame's file is now."""
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


#: What to do about a frame whose file is not where a session looks for it.
MOVED = "Put its folder into APPULSE_FRAMES, or move it beside the session, and open the session again"


def stand_in(path: str | Path, kept: str | None, why: str, remedy: str):
    """A frame without pixels in the place of one whose file is missing or damaged."""
    from glue.core import Data

    name = Path(path).name
    if not kept:
        raise FileNotFoundError(f"{path} does not exist")
    record = json.loads(kept)
    # A session must open whatever has become of its files: without a word nobody would know why it is blank.
    shape = tuple(record["shape"])
    say(f"{name} {why}; its overlays and measurements stay, its pixels are blank. {remedy}")
    data = Data(label=Path(path).name, coords=FrameWCS._from_cards(record["cards"], shape))
    for plane in record["planes"]:
        data.add_component(LazyPixels(BlankSource(shape), name=plane, shape=shape), plane)
    data.meta.update(record["meta"], **{KIND_KEY: FRAME})
    return data


#: Memory for pixels of frames that are not looked at just now; APPULSE_PIXELS_MB changes it.
DEFAULT_MB = 896


class PixelStore:
    """Frames whose pixels are in memory, the least recently used let go first."""

    def __init__(self, limit_mb=None):
        self._limit_mb = limit_mb
        self._held = OrderedDict()
        self._lock = threading.Lock()

    @property
    def limit(self):
        """Bytes allowed."""
        return 1e6 * float(self._limit_mb or os.environ.get("APPULSE_PIXELS_MB", DEFAULT_MB))

    @property
    def held(self):
        """Bytes held now."""
        return sum(self._held.values())

    def get(self, source, name: str) -> np.ndarray:
        """Pixels of a source."""
        with self._lock:
            # Under the lock: two threads that ask for one frame would read it twice.
            pixels = getattr(source, name)
            self._held[source] = max(self._held.pop(source, 0), pixels.nbytes)
            # the frame asked for last stays whatever its size, or nothing could be shown
            while len(self._held) > 1 and self.held > self.limit:
                old, _size = self._held.popitem(last=False)
                old.release()
        return pixels


STORE = PixelStore()


class FrameSource:
    """Planes of a solved frame, hashable by identity; blank where the file turns out to be damaged."""

    def __init__(self, frame):
        self.frame = frame
        self._is_damaged = False

    def _plane(self, read):
        from appulse.errors import FrameError

        # A header may be whole where the pixels are not. glue draws again and again: it is said once.
        if not self._is_damaged:
            try:
                return read(self.frame)
            except FrameError as exc:
                self._is_damaged = True
                warn(f"{exc} (shown blank)")
        return np.broadcast_to(np.float32(np.nan), tuple(self.frame.shape))

    @property
    def pixels(self):
        """Measuring plane, (ny, nx)."""
        return self._plane(lambda frame: frame.data)

    @property
    def red(self):
        """First colour plane, (ny, nx)."""
        return self._plane(lambda frame: frame.colour[0])

    @property
    def green(self):
        """Second colour plane, (ny, nx)."""
        return self._plane(lambda frame: frame.colour[1])

    @property
    def blue(self):
        """Third colour plane, (ny, nx)."""
        return self._plane(lambda frame: frame.colour[2])

    def release(self):
        """Let the pixels go."""
        self.frame.release()


class BlankSource:
    """Pixels of a frame whose file is not there: not a number, everywhere."""

    def __init__(self, shape):
        self._shape = tuple(shape)

    def __getattr__(self, name):
        if name in ("pixels", "red", "green", "blue"):
            # one number in memory for the whole image
            return np.broadcast_to(np.float32(np.nan), self._shape)
        raise AttributeError(name)

    def release(self):
        """Nothing is held."""


class LazyPixels(Component):
    """Component of a data set whose array is fetched from a source at need."""

    def __init__(self, data, units=None, name="pixels", shape=None):
        super().__init__(data, units=units)
        self._name = name
        # glue asks for the shape of every layer at once; the header knows it without reading a pixel
        self._lazy_shape = data.shape if isinstance(data, np.ndarray) else tuple(shape)

    @property
    def data(self):
        """The array."""
        return self._data if isinstance(self._data, np.ndarray) else STORE.get(self._data, self._name)

    @property
    def shape(self):
        """Rows and columns."""
        return self._lazy_shape

    @property
    def ndim(self):
        """Number of axes."""
        return len(self._lazy_shape)

    @property
    def numeric(self):
        """Always; glue would read a pixel to find out."""
        return True

    def __getitem__(self, key):
        return self.data[key]
