"""Master frames: bias and dark are taken off the pixels of a frame, the flat is divided out."""

from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path

import numpy as np

from appulse.errors import FrameError, InputError
from appulse.formats import file_sha256
from appulse.frames.pixels import open_fits


@dataclass(frozen=True)
class Masters:
    """Master frames, all in the stored units of the frames; arrays as they are applied.

    Parameters
    ----------
    bias, dark, flat : (ny, nx) float32 arrays, optional
        A dark still has its bias in it unless `bias` is None or `dark_has_bias` is false.
    dark_seconds : float, optional
        Exposure of the dark, from its header; it is scaled to the frame's where both are known.
    names : dict
        Role to (file name, SHA-256).
    """

    bias: np.ndarray | None = None
    dark: np.ndarray | None = None
    flat: np.ndarray | None = None
    dark_seconds: float | None = None
    names: dict | None = None

    @classmethod
    def read(cls, bias=None, dark=None, flat=None) -> "Masters":
        """Read master frames from FITS files."""
        planes, names, seconds = {}, {}, None
        for role, path in (("bias", bias), ("dark", dark), ("flat", flat)):
            if path is None:
                continue
            values, header = _read_master(Path(path), role)
            planes[role] = values
            names[role] = (Path(path).name, file_sha256(path))
            if role == "dark":
                seconds = _seconds(header, path)
        sizes = {role: "{1} x {0}".format(*values.shape) for role, values in planes.items()}
        if len(set(sizes.values())) > 1:
            words = ", ".join(f"the {role} {size}" for role, size in sizes.items())
            raise InputError(f"masters of unlike sizes ({words} pixels): give those of one camera")
        found = cls(**planes, dark_seconds=seconds, names=names)
        return replace(found, flat=_unit_flat(found)) if found.flat is not None else found

    def check(self, shape) -> None:
        """Refuse masters of another size than a frame's (ny, nx)."""
        for role in ("bias", "dark", "flat"):
            master = getattr(self, role)
            if master is not None and master.shape != tuple(shape):
                raise InputError(
                    f"the {role} has {master.shape[1]} x {master.shape[0]} pixels, the frame "
                    f"{shape[1]} x {shape[0]}: give a {role} of the same camera and binning"
                )

    def apply(self, plane, seconds):
        """A frame's plane with bias and dark taken off and the flat divided out."""
        self.check(plane.shape[-2:])
        out = plane
        if self.bias is not None:
            out = out - self.bias
        if self.dark is not None:
            current = self.dark if self.bias is None else self.dark - self.bias
            # Without a bias the offset in the dark cannot be scaled with time.
            share = 1.0 if self.bias is None or not self.dark_seconds else seconds / self.dark_seconds
            out = out - np.float32(share) * current
        if self.flat is not None:
            out = out / self.flat
        return out


def _seconds(header, path) -> float | None:
    """Exposure of a dark, where its header states one."""
    stated = header.get("EXPTIME", header.get("EXPOSURE"))
    if stated is None:
        return None
    try:
        seconds = float(stated)
    except (TypeError, ValueError, OverflowError):
        seconds = np.nan
    if not 0.0 <= seconds < 1e6:
        raise InputError(f"{path}: the dark's EXPTIME is {stated!r}: seconds from 0 to 1e6 are allowed")
    return seconds


def _read_master(path, role):
    try:
        with open_fits(Path(path)) as hdus:
            for hdu in hdus:
                if hdu.data is not None and getattr(hdu.data, "ndim", 0) == 2:
                    return np.array(hdu.data, dtype=np.float32), hdu.header.copy()
    except FrameError as error:
        raise InputError(f"{path}: the {role} cannot be read ({error}); give a FITS image") from None
    raise InputError(f"{path}: no image for the {role} in it; give a FITS image of two axes")


def _unit_flat(masters):
    flat = masters.flat if masters.bias is None else masters.flat - masters.bias
    light = flat[np.isfinite(flat)]
    middle = float(np.median(light)) if light.size else np.nan
    if not middle > 0:
        raise InputError(f"the flat's median is {middle:g}: a flat holds light; give the right file")
    flat = flat / middle
    return np.where(flat > 0.05, flat, np.nan).astype(np.float32)


@dataclass(frozen=True)
class MasterFiles:
    """Files of the masters of a series of frames, read when the first frame's pixels are."""

    bias: Path | None = None
    dark: Path | None = None
    flat: Path | None = None

    def __bool__(self) -> bool:
        return any(path is not None for path in (self.bias, self.dark, self.flat))

    def read(self) -> Masters:
        """The masters; those of the last series are kept in memory."""
        return _masters(self)

    def applied(self, pixels: np.ndarray, seconds: float, saturation: float | None) -> np.ndarray:
        """Calibrated pixels, float32; a saturated pixel keeps a number at the end of the scale."""
        full = None
        if saturation is not None:
            with np.errstate(invalid="ignore"):
                full = pixels >= saturation
        done = np.asarray(self.read().apply(pixels, seconds), dtype=np.float32)
        if full is not None and full.any():
            done[full] = np.maximum(done[full], pixels[full])
        return done


@lru_cache(maxsize=1)
def _masters(files: MasterFiles) -> Masters:
    return Masters.read(files.bias, files.dark, files.flat)
