"""Passes of two minor bodies in one field."""

from __future__ import annotations

import numpy as np

from appulse.bodies.ephemeris import NBodyEphemeris
from appulse.bodies.kernels import default_kernels
from appulse.catalogues.outlines import Outline
from appulse.encounters.ground import utc
from appulse.encounters.passes import Pass, make_id
from appulse.encounters.paths import circumstances, follow
from appulse.encounters.scan_pairs import least_separations_between
from appulse.errors import InputError
from appulse.observers.timescales import quiet_erfa, tdb_days

MOST_DIRECTIONS = 20_000_000


@quiet_erfa()
def find_mutual_passes(catalogue, start, end, within_arcmin, *, brighter_than=None, kernels=None):
    """All passes of one body by another, as seen from the Earth's centre.

    Parameters
    ----------
    catalogue : OrbitCatalogue
    start, end : Time
    within_arcmin : float
    brighter_than : float, optional
        Both bodies.
    kernels : Kernels, optional

    Returns
    -------
    list of Pass
        Ordered by time; ``target`` is a point named after the second body, at its place of that moment.

    Raises
    ------
    InputError
        More bodies and days than fit into memory.

    Examples
    --------
    >>> from astropy.time import Time
    >>> from appulse.bodies.readers import starter_orbits
    >>> pair = starter_orbits().take([0, 4])
    >>> find_mutual_passes(pair, Time("2027-05-01"), Time("2027-05-09"), 1.0)
    []
    """
    ephemeris = NBodyEphemeris(catalogue, kernels=kernels)
    kernels = kernels or default_kernels()
    groups = list(follow(ephemeris, start, end))
    grid = max((paths.t_d for paths in groups), key=len)
    if len(catalogue) * len(grid) > MOST_DIRECTIONS:
        raise InputError(
            f"{len(catalogue)} bodies at {len(grid)} instants are too many for passes of body by body; name "
            "some bodies, or take fewer days"
        )
    splines = {int(row): paths.spline(i) for paths in groups for i, row in enumerate(paths.rows)}
    inner = grid[(grid >= max(p.t_d[0] for p in groups)) & (grid <= min(p.t_d[-1] for p in groups))]
    rows = np.array(sorted(splines))
    vectors = np.stack([splines[row](inner) for row in rows])
    unit = vectors / np.linalg.norm(vectors, axis=-1, keepdims=True)
    near = least_separations_between(inner, unit, np.radians(within_arcmin / 60))
    first, last = (float(tdb_days(t)) for t in (start, end))
    found = []
    columns = (near.body, near.target, near.time_d, near.separation_rad)
    for one, other, t_d, separation in zip(*columns, strict=True):
        if first <= t_d <= last:
            pair = [(int(rows[i]), splines[int(rows[i])]) for i in (one, other)]
            made = _make_pass(ephemeris, pair, t_d, separation, kernels)
            if brighter_than is None or max(made.mag, made.target.mag or np.inf) <= brighter_than:
                found.append(made)
    return sorted(found, key=lambda one: one.time.jd)


def _make_pass(ephemeris, pair, t_d, separation, kernels):
    (row, path), (other_row, other_path) = pair
    body, other = ephemeris.orbit(row), ephemeris.orbit(other_row)
    facts = {name: float(v[0]) for name, v in circumstances(path, body, [t_d], kernels).items()}
    theirs = circumstances(other_path, other, [t_d], kernels)
    x, y, z = other_path(t_d) / np.linalg.norm(other_path(t_d))
    mag = float(theirs["mag"][0])
    target = Outline(
        name=other.designation,
        kind="point",
        ra=float(np.degrees(np.arctan2(y, x)) % 360),
        dec=float(np.degrees(np.arcsin(z))),
        object_type="minor body",
        mag=mag if np.isfinite(mag) else None,
        other_names=(other.name,) if other.name else (),
        source=other.source,
    )
    time = utc(t_d)
    return Pass(
        id=make_id(body.designation, other.designation, time.isot),
        designation=body.designation,
        name=body.name,
        target=target,
        time=time,
        separation_arcsec=float(np.degrees(separation) * 3600),
        crossing=None,
        in_sizes=np.nan,
        row=row,
        **facts,
    )
