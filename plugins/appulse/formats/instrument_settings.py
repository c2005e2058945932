"""A telescope with its camera."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class InstrumentSettings:
    """A telescope with its camera; electrons, millimetres, micrometres, pixels (width, height), seconds.

    ``efficiency`` is the share of the light that ends as electrons (optics and sensor), ``band_nm`` the width
    of the filter's band; 250 nm is a luminance filter (common practice, no source).
    """

    name: str
    aperture_mm: float
    focal_length_mm: float
    pixel_um: float
    sensor_px: tuple
    obstruction: float = 0.0
    efficiency: float = 0.5
    band_nm: float = 250.0
    gain_e_adu: float = 1.0
    read_noise_e: float = 3.0
    dark_e_s: float = 0.01
    full_well_e: float = 50_000.0
    bits: int = 16
    mount: str = "equatorial"
    tracking_limit_s: float = 300.0
    rotation_deg: float | None = None
    overhead_s: float = 2.0


def read_instrument(fields):
    """An instrument out of :class:`~appulse.formats.yamlfile.Fields`, or None; problems are noted there."""
    default = InstrumentSettings
    values = {
        "name": fields.text("name", required=True),
        "aperture_mm": fields.number("aperture_mm", required=True, above=0, maximum=50_000),
        "focal_length_mm": fields.number("focal_length_mm", required=True, above=0, maximum=500_000),
        "pixel_um": fields.number("pixel_um", required=True, above=0, maximum=1000),
        "sensor_px": fields.numbers("sensor_px", length=2, minimum=1, maximum=100_000),
        "obstruction": fields.number("obstruction", default.obstruction, minimum=0, maximum=0.9),
        "efficiency": fields.number("efficiency", default.efficiency, above=0, maximum=1),
        "band_nm": fields.number("band_nm", default.band_nm, above=0, maximum=1000),
        "gain_e_adu": fields.number("gain_e_adu", default.gain_e_adu, above=0, maximum=10_000),
        "read_noise_e": fields.number("read_noise_e", default.read_noise_e, minimum=0, maximum=10_000),
        "dark_e_s": fields.number("dark_e_s", default.dark_e_s, minimum=0, maximum=100_000),
        "full_well_e": fields.number("full_well_e", default.full_well_e, above=0, maximum=1e9),
        "bits": int(fields.number("bits", default.bits, minimum=8, maximum=32, whole=True)),
        "mount": fields.text("mount", default.mount, choices=("equatorial", "altazimuth")),
        "tracking_limit_s": fields.number(
            "tracking_limit_s", default.tracking_limit_s, above=0, maximum=86_400
        ),
        "rotation_deg": fields.number("rotation_deg", None, minimum=-360, maximum=360),
        "overhead_s": fields.number("overhead_s", default.overhead_s, minimum=0, maximum=3600),
    }
    fields.done()
    if values["sensor_px"] is None and "sensor_px" not in fields.mapping:
        fields.problem(None, "'sensor_px' is missing: [width, height] in pixels")
    needed = ("name", "aperture_mm", "focal_length_mm", "pixel_um", "sensor_px")
    if any(values[key] is None for key in needed):
        return None
    values["sensor_px"] = tuple(int(v) for v in values["sensor_px"])
    return InstrumentSettings(**values)
