"""A first orbit from the nights at hand, where the body may be in the nights to come, and where to look.

::

    NIGHT, NIGHT ... --> sightings --> sample of orbits --> cloud of places, night by night --> pointings
"""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from appulse.errors import InputError

# A cloud longer than this is no ephemeris any more, degrees.
LONGEST_CLOUD_DEG = 10.0
# Orbits that are carried to the nights to come.
MEMBERS = 300
# Share of the cloud that the region and the pointings hold.
SHARE = 0.95
# Pointings listed for a night.
MOST_POINTINGS = 60
# The semi-major axis is named where its 95% range is within this share of it.
NAMED_AXIS = 0.3
FIRST_ORBIT_FILES = (
    "first_orbit.yaml",
    "orbit.ecsv",
    "sample.ecsv",
    "cloud.ecsv",
    "recovery.csv",
    "cloud.png",
)


@dataclass(frozen=True)
class NightCloud:
    """Where the sampled orbits put the body at one moment.

    Attributes
    ----------
    time : Time
        UTC.
    ra_deg, dec_deg : (n,) arrays
        Astrometric ICRF, one for each orbit.
    centre : (float, float)
        Degrees.
    length_arcmin, width_arcmin, pa_deg : float
        Full size of the region that holds 95% of cases, and the position angle of its length.
    rate_arcsec_h, motion_pa_deg : float
        Median.
    pointings : tuple of (ra, dec, share)
        Fields of the camera, likeliest first, until 95% of cases are within; empty without a camera.
    """

    time: Any
    ra_deg: Any
    dec_deg: Any
    centre: tuple
    length_arcmin: float
    width_arcmin: float
    pa_deg: float
    rate_arcsec_h: float
    motion_pa_deg: float
    pointings: tuple = ()


@dataclass(frozen=True)
class FoundOrbit:
    """A first orbit with its clouds, and all of it in words."""

    body: str
    orbit: Any  # FirstOrbit
    clouds: tuple
    seen_from: str
    field_arcmin: tuple | None
    sentences: tuple[str, ...]
    notes: tuple[str, ...]

    @property
    def figures(self) -> dict:
        """Everything as plain numbers and words, for YAML; no coordinates of a site are among them."""
        import numpy as np

        elements = self.orbit.elements()
        ranges = {
            name: [float(f"{np.quantile(values, share):.5g}") for share in (0.025, 0.5, 0.975)]
            for name, values in elements.items()
        }
        return {
            "body": self.body, "sentences": list(self.sentences), "method": self.orbit.method,
            "places": len(self.orbit.sightings), "span_days": round(self.orbit.span_d, 4),
            "epoch_utc": self.orbit.epoch.utc.isot, "least_chi2": round(float(self.orbit.chi2.min()), 2),
            "degrees_of_freedom": int(self.orbit.dof), "orbits_in_sample": len(self.orbit.states),
            "low_median_high_95": {
                "semi_major_axis_au": ranges["a"], "eccentricity": ranges["e"],
                "inclination_deg": ranges["i"], "perihelion_au": ranges["q"],
                "distance_from_earth_au": ranges["distance"],
            },
            "nights": [_night_figures(cloud) for cloud in self.clouds],
            "notes": list(self.notes),
        }  # fmt: skip


def _night_figures(cloud: NightCloud) -> dict:
    return {
        "time_utc": cloud.time.utc.isot[:16], "ra_deg": round(cloud.centre[0], 4),
        "dec_deg": round(cloud.centre[1], 4), "length_arcmin_95": round(cloud.length_arcmin, 2),
        "width_arcmin_95": round(cloud.width_arcmin, 2), "length_pa_deg": round(cloud.pa_deg, 1),
        "rate_arcsec_h": round(cloud.rate_arcsec_h, 2), "motion_pa_deg": round(cloud.motion_pa_deg, 1),
        "pointings": len(cloud.pointings) or None,
    }  # fmt: skip


def find_first_orbit(
    nights, body: str, *, observer=None, count: int = 10, field_arcmin=None, zero_arcsec=None, clock_s=None,
    progress=None,
) -> FoundOrbit:  # fmt: skip
    """Orbits that a few nights' places allow, and where they put the body in the nights to come.

    Parameters
    ----------
    nights : sequence of NightOfSite
        As ``read_night`` gives them.
    body : str
        What the body is called in what is written.
    observer : Site, optional
        Where the nights to come are seen from; the first place's own when left out.
    count : int
        Nights to come, each at the hour of the last place; 0 for none.
    field_arcmin : (float, float), optional
        Width and height of the camera's field, north up: with it pointings are listed.
    zero_arcsec, clock_s : float, optional
        1-sigma of plates and clocks where the files do not tell.
    progress : callable, optional
        ``progress(words, done, total)``.

    Returns
    -------
    FoundOrbit

    Raises
    ------
    InputError
        If a number is out of range.
    MeasurementError
        If the arc carries no orbit; the message says why.
    """
    from appulse.astrometry import first_orbit

    if not 0 <= count <= 60:
        raise InputError(f"{count} nights to come: 0 to 60 are allowed")
    sightings = [sighting for night in nights for sighting in night.sightings]
    names = {sighting.site for sighting in sightings}
    zero = dict.fromkeys(names, zero_arcsec) if zero_arcsec is not None else {}
    for night in nights:
        zero |= night.zero_arcsec
    clocks = dict.fromkeys(names, clock_s) if clock_s is not None else {}
    if progress:
        progress("ranging", 0, 2)
    orbit = first_orbit(sightings, zero_arcsec=zero, clock_s=clocks)
    if progress:
        progress("carrying the orbits to the nights to come", 1, 2)
    last = max((sighting for sighting in sightings), key=lambda sighting: sighting.time.jd)
    where = observer if observer is not None else last.observer
    clouds, notes = _clouds(orbit, last.time, where, count, field_arcmin)
    if progress:
        progress("carrying the orbits to the nights to come", 2, 2)
    notes += [note for night in nights for note in night.notes]
    seen_from = "the site given" if observer is not None else "the site of the last place"
    sentences = _sentences(orbit, clouds, count, field_arcmin)
    return FoundOrbit(body, orbit, clouds, seen_from, field_arcmin, sentences, tuple(notes))


def _clouds(orbit, last, observer, count, field_arcmin):
    """Clouds night by night, as far as they are an ephemeris; notes on what is left out."""
    import numpy as np
    from astropy.time import TimeDelta

    from appulse.bodies import NBodyEphemeris
    from appulse.errors import OrbitError
    from appulse.observers import Site, SpacecraftVector

    if not count:
        return (), []
    notes = []
    if isinstance(observer, SpacecraftVector):
        observer = Site.geocentre()
        notes.append(
            "the nights to come are seen from the Earth's centre: give --seen-from for a near body, whose "
            "place differs by its parallax"
        )
    members = orbit.orbits(MEMBERS)
    # The cloud is wider than minutes of arc: full accuracy near the Earth would take minutes of time.
    ephemeris = NBodyEphemeris(members, tolerance=1e-9)
    times = last + TimeDelta(np.arange(1, count + 1), format="jd")
    try:
        vectors = ephemeris.vectors(times, observer)
        later = ephemeris.vectors(times + TimeDelta(600.0, format="sec"), observer)
    except OrbitError as error:
        return (), [*notes, f"no nights to come are given, for some of the orbits end before: {error}"]
    clouds = []
    for k in range(count):
        cloud = _cloud(times[k], vectors[:, k], later[:, k], field_arcmin)
        if cloud is None or cloud.length_arcmin > LONGEST_CLOUD_DEG * 60:
            notes.append(
                f"from {times[k].utc.isot[:10]} on the orbits scatter over more than "
                f"{LONGEST_CLOUD_DEG:g} degrees: no "
                "ephemeris is given; places of another night would narrow them"
            )
            break
        clouds.append(cloud)
    return tuple(clouds), notes


def _cloud(time, vectors, later, field_arcmin) -> NightCloud | None:
    """One night's cloud; None where it is spread over the sky."""
    import numpy as np

    from appulse.numerics import SkyPlane, radec_from_unit, separation_rad

    unit, after = (values / np.linalg.norm(values, axis=1, keepdims=True) for values in (vectors, later))
    middle = unit.mean(axis=0)
    middle /= np.linalg.norm(middle)
    if np.degrees(np.quantile(separation_rad(middle, unit), SHARE)) > LONGEST_CLOUD_DEG:
        return None
    ra, dec = (np.asarray(value, float) for value in radec_from_unit(unit))
    plane = SkyPlane(*(float(value) for value in radec_from_unit(middle)))
    flat = np.degrees(plane.from_sky(np.column_stack([ra, dec]))) * 60.0
    moved = np.degrees(plane.from_sky(np.column_stack(radec_from_unit(after)))) * 60.0 - flat
    centre = np.median(flat, axis=0)
    _, axes = np.linalg.eigh(np.cov((flat - centre).T))
    along = axes[:, 1]
    spread = [
        float(np.quantile(flat @ axis, 0.5 + SHARE / 2) - np.quantile(flat @ axis, 0.5 - SHARE / 2))
        for axis in (along, axes[:, 0])
    ]
    rate = np.median(moved, axis=0) * 6 * 60.0  # arcsec/h
    sky = np.ravel(plane.to_sky(np.radians(centre / 60.0)[None]))
    pointings = ()
    if field_arcmin is not None:
        pointings = tuple(
            (*map(float, np.ravel(plane.to_sky(np.radians(np.array(at) / 60.0)[None]))), share)
            for at, share in _tiles(flat, field_arcmin)
        )
    return NightCloud(
        time, ra, dec, (float(sky[0]), float(sky[1])), spread[0], spread[1],
        float(np.degrees(np.arctan2(*along)) % 180.0), float(np.hypot(*rate)),
        float(np.degrees(np.arctan2(*rate)) % 360.0), pointings,
    )  # fmt: skip


def _tiles(flat, field_arcmin):
    """Fields (middle, share), the fullest first: each is laid where it catches most of what is left."""
    import numpy as np

    left, found, total = flat.copy(), [], len(flat)
    half = 0.45 * np.asarray(field_arcmin, float)  # a tenth of overlap
    while len(left) > (1 - SHARE) * total and len(found) < MOST_POINTINGS:
        inside = (np.abs(left[:, None] - left[None]) <= half).all(axis=2)
        best = int(np.argmax(inside.sum(axis=1)))
        caught = left[inside[best]]
        middle = (caught.min(axis=0) + caught.max(axis=0)) / 2
        inside = (np.abs(left - middle) <= half).all(axis=1)
        found.append((middle, float(inside.sum() / total)))
        left = left[~inside]
    return found


def _sentences(orbit, clouds, count, field_arcmin) -> tuple[str, ...]:
    import numpy as np

    elements = orbit.elements()
    low, high = (np.quantile(elements["distance"], share) for share in (0.025, 0.975))
    said = [
        f"{len(orbit.sightings)} places over {orbit.span_d * 24:.1f} hours" if orbit.span_d < 2 else
        f"{len(orbit.sightings)} places over {orbit.span_d:.1f} days"
    ]  # fmt: skip
    said[0] += f" allow distances of {low:.5g} to {high:.5g} au from the Earth (95% of cases)."
    axis = [np.quantile(elements["a"], share) for share in (0.025, 0.5, 0.975)]
    if axis[0] > 0 and (axis[2] - axis[0]) < 2 * NAMED_AXIS * axis[1]:
        parts = (("a", "au", 1), ("e", "", 1), ("i", "degrees", 1))
        words = []
        for name, unit, _ in parts:
            bounds = [np.quantile(elements[name], share) for share in (0.025, 0.5, 0.975)]
            words.append(f"{name} {bounds[1]:.4g} ({bounds[0]:.4g} to {bounds[2]:.4g}) {unit}".strip())
        said.append(f"First orbit: {', '.join(words)}.")
    else:
        said.append(
            f"Cannot tell the orbit: semi-major axes of {axis[0]:.3g} to {axis[2]:.3g} au fit; places of "
            "another "
            "night would."
        )
    near = float(np.mean(elements["q"] < 1.3))
    said.append(f"{100 * near:.0f}% of the orbits come within 1.3 au of the Sun (near-Earth bodies do).")
    if not count:
        return tuple(said)
    if not clouds:
        return (*said, "Already the next night the orbits scatter too far for an ephemeris.")
    first = clouds[0]
    said.append(
        f"On {first.time.utc.isot[:16]} UTC the body is within {first.length_arcmin:.3g} by "
        f"{first.width_arcmin:.3g} arcmin (95%)."
    )
    if field_arcmin is not None:
        one = [cloud for cloud in clouds if len(cloud.pointings) == 1]
        if one:
            said.append(f"Until {one[-1].time.utc.isot[:10]} one field of the camera holds 95% of cases.")
        else:
            said.append(f"{len(first.pointings)} fields of the camera hold 95% of cases on the first night.")
    return tuple(said)


def save_first_orbit(found: FoundOrbit, folder: Path, overwrite: bool = False) -> list[Path]:
    """Write all of FIRST_ORBIT_FILES, all or none; the paths."""
    import yaml

    from appulse.bodies import OrbitCatalogue, orbit_table
    from appulse.formats import check_free, together, write_bytes, write_table, write_text
    from appulse.reports import cloud_picture

    paths = [
        folder / name
        for name in FIRST_ORBIT_FILES
        if found.clouds or not name.startswith(("cloud", "recovery"))
    ]
    check_free([folder / name for name in FIRST_ORBIT_FILES], overwrite)
    by_name = {path.name: path for path in paths}
    words = yaml.safe_dump(
        found.figures, sort_keys=False, allow_unicode=True, width=110, default_flow_style=None
    )
    likeliest = orbit_table(OrbitCatalogue.from_orbits([found.orbit.orbit(found.body)]))
    sample = orbit_table(OrbitCatalogue.from_orbits(found.orbit.orbits()))
    with together():
        write_text(by_name["first_orbit.yaml"], words, overwrite)
        write_table(likeliest, by_name["orbit.ecsv"], overwrite)
        write_table(sample, by_name["sample.ecsv"], overwrite)
        if found.clouds:
            write_table(cloud_table(found), by_name["cloud.ecsv"], overwrite)
            write_text(by_name["recovery.csv"], recovery_text(found), overwrite)
            write_bytes(by_name["cloud.png"], cloud_picture(found), overwrite)
    return paths


def cloud_table(found: FoundOrbit):
    """A row for each orbit and night: night, time, member, ra, dec."""
    import numpy as np
    from astropy import units as u
    from astropy.table import QTable

    table = QTable()
    sizes = [len(cloud.ra_deg) for cloud in found.clouds]
    table["night"] = np.repeat(np.arange(1, len(sizes) + 1), sizes)
    table["time"] = np.repeat([cloud.time.utc.isot[:19] for cloud in found.clouds], sizes)
    table["member"] = np.concatenate([np.arange(size) for size in sizes])
    table["ra"] = np.round(np.concatenate([cloud.ra_deg for cloud in found.clouds]), 6) * u.deg
    table["dec"] = np.round(np.concatenate([cloud.dec_deg for cloud in found.clouds]), 6) * u.deg
    table.meta.update({"body": found.body, "kind": "cloud of a first orbit", "method": found.orbit.method})
    return table


def recovery_text(found: FoundOrbit) -> str:
    """The plan to find it again: a line for each night, or for each pointing of a night."""
    lines = ["time_utc,ra_deg,dec_deg,length_arcmin,width_arcmin,length_pa_deg,rate_arcsec_h,pointing,share"]
    for cloud in found.clouds:
        region = (
            f"{cloud.length_arcmin:.2f},{cloud.width_arcmin:.2f},{cloud.pa_deg:.1f},{cloud.rate_arcsec_h:.2f}"
        )
        places = cloud.pointings or ((*cloud.centre, ""),)
        for number, (ra, dec, share) in enumerate(places, 1):
            held = f"{share:.3f}" if share != "" else ""
            lines.append(f"{cloud.time.utc.isot[:16]},{ra:.4f},{dec:.4f},{region},{number},{held}")
    return "\n".join(lines) + "\n"
