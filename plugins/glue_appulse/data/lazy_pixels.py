"""Pixels that are read when somebody looks, and let go when there are too many."""

import os
import threading
from collections import OrderedDict

import numpy as np
from glue.core.component import Component

#: Memory for pixels of frames that are not looked at just now; APPULSE_PIXELS_MB changes it.
DEFAULT_MB = 1024


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
            pixels = getattr(source, name)
            self._held[source] = max(self._held.pop(source, 0), pixels.nbytes)
            while len(self._held) > 1 and self.held > self.limit:
                old, _size = self._held.popitem(last=False)
                old.release()
        return pixels


STORE = PixelStore()


class FrameSource:
    """Planes of a solved frame, hashable by identity."""

    def __init__(self, frame):
        self.frame = frame

    @property
    def pixels(self):
        """Measuring plane, (ny, nx)."""
        return self.frame.data

    @property
    def red(self):
        """First colour plane, (ny, nx)."""
        return self.frame.colour[0]

    @property
    def green(self):
        """Second colour plane, (ny, nx)."""
        return self.frame.colour[1]

    @property
    def blue(self):
        """Third colour plane, (ny, nx)."""
        return self.frame.colour[2]

    def release(self):
        """Let the pixels go."""
        self.frame.release()


class BlankSource:
    """Pixels of a frame whose file is not there: not a number, everywhere."""

    def __init__(self, shape):
        self._shape = tuple(shape)

    def __getattr__(self, name):
        if name in ("pixels", "red", "green", "blue"):
            return np.broadcast_to(np.float32(np.nan), self._shape)
        raise AttributeError(name)

    def release(self):
        """Nothing is held."""


class LazyPixels(Component):
    """Component of a data set whose array is fetched from a source at need."""

    def __init__(self, data, units=None, name="pixels", shape=None):
        super().__init__(data, units=units)
        self._name = name
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
