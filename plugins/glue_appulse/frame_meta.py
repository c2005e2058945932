"""A solved frame's time, site and camera as plain values that a session keeps, and back."""

import numpy as np
from astropy.time import Time

from glue_appulse.kinds import from_json, to_json
from glue_appulse.layers.base import CHECKSUM_KEY

EXPOSURE_KEY, OBSERVER_KEY, CAMERA_KEY = "appulse_exposure", "appulse_observer", "appulse_camera"
UNKNOWN = "not given"
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


def _observer_record(observer):
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
    }


def _camera_record(camera):
    values = {name: getattr(camera, name, None) for name in CAMERA_FIELDS}
    return {name: [float(v.value), str(v.source)] for name, v in values.items() if v is not None}


def describe(frame):
    """Metadata of a frame's data set: words for people, and records from which the frame can be rebuilt.

    Parameters
    ----------
    frame : appulse.frames.frame.SolvedFrame

    Returns
    -------
    dict of str, float and int
    """
    exposure, observer = frame.exposure, frame.observer
    ra, dec = frame.centre
    words = {
        "path": "" if frame.path is None else str(frame.path),
        CHECKSUM_KEY: frame.checksum or "",
        "mid-exposure (UTC)": UNKNOWN if exposure is None else _iso(exposure.mid),
        "time from": UNKNOWN if exposure is None else str(exposure.derivation),
        "light collected (s)": UNKNOWN if exposure is None else float(exposure.seconds),
        "site": UNKNOWN if observer is None else str(observer.name or observer.code or "unnamed"),
        "pixel scale (arcsec)": round(float(frame.pixel_scale), 5),
        "rotation (deg E of N)": round(float(frame.rotation_deg), 3),
        "sky": "as seen" if frame.parity > 0 else "mirrored",
        "centre RA (deg)": float(ra),
        "centre Dec (deg)": float(dec),
        "filter": frame.filter or UNKNOWN,
        "notes": "; ".join(frame.notes),
    }
    records = {
        EXPOSURE_KEY: _exposure_record(exposure),
        OBSERVER_KEY: _observer_record(observer),
        CAMERA_KEY: _camera_record(frame.camera),
    }
    return words | {key: to_json(value) for key, value in records.items()}


def _exposure(record):
    from appulse.frames.exposure import Exposure

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


def _observer(record):
    if not record:
        return None
    if "itrs_m" in record:
        from appulse.observers.site import Site

        return Site(
            name=record["name"], code=record["code"], itrs_m=tuple(record["itrs_m"]), source=record["source"]
        )
    from appulse.observers.site import SpacecraftVector

    return SpacecraftVector(
        name=record["name"],
        code=record["code"],
        origin=record["origin"],
        time=Time(record["time"], scale="utc"),
        position_au=np.array(record["position_au"]),
        velocity_au_d=np.array(record["velocity_au_d"]),
    )


def rebuild(data):
    """A solved frame from a data set whose file is not at hand.

    Parameters
    ----------
    data : glue.core.data.Data
        Of kind 'frame', with its pixels (a session that includes its data) or without.

    Returns
    -------
    appulse.frames.frame.SolvedFrame
    """
    from appulse.frames.camera import Camera, Valued
    from appulse.frames.frame import SolvedFrame

    records = {key: from_json(data.meta.get(key)) for key in (EXPOSURE_KEY, OBSERVER_KEY, CAMERA_KEY)}
    camera = Camera(**{name: Valued(*value) for name, value in (records[CAMERA_KEY] or {}).items()})
    return SolvedFrame.from_arrays(
        np.asarray(data["pixels"]),
        data.coords,
        _exposure(records[EXPOSURE_KEY]),
        _observer(records[OBSERVER_KEY]),
        camera=camera,
    )
