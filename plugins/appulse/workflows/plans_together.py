"""A pass planned for two sites: common windows, projected baseline, how well the distance would come out."""

from dataclasses import dataclass, replace
from typing import Any

from appulse.errors import InputError

# 1 sigma of a measured place that is reckoned with, arcsec; small telescopes reach it at S/N of about 10
# (common practice, no source).
PLACE_ARCSEC = 0.2
# Places that each site is taken to measure, evenly through the common window.
PLACES = 6
STEP_MINUTES = 10.0


@dataclass(frozen=True)
class PlannedTogether:
    """What two sites can do together in the nights around a pass.

    Attributes
    ----------
    sites : (str, str)
    windows : tuple of (Time, Time)
        When both can photograph the body, UTC.
    table : Table
        A row every ten minutes of the windows: time, altitude from each site, baseline across the line of
        sight (km), parallax (arcsec).
    distance_au, sigma_inverse_au : float
        Predicted distance in the middle of the longest window, and the sigma of its inverse that is to be
        expected; NaN without a window.
    sentences : tuple of str
    """

    sites: tuple
    windows: tuple
    table: Any
    distance_au: float
    sigma_inverse_au: float
    sentences: tuple[str, ...]


def plan_together(
    campaign, encounter_id: str, sites, *, place_arcsec: float = PLACE_ARCSEC
) -> PlannedTogether:
    """Common windows, baseline and expected distance of two sites around a pass.

    Parameters
    ----------
    campaign : Campaign
    encounter_id : str
        Out of the table of passes.
    sites : (str, str)
        Names of the campaign or of the settings file.
    place_arcsec : float
        1-sigma of one measured place, 0.01 to 10 arcsec.

    Returns
    -------
    PlannedTogether

    Raises
    ------
    InputError
        If the pass or a site is not known, or both are one site.
    """
    import numpy as np
    from astropy.table import Table

    from appulse.encounters import body_vectors, nights_of_pass
    from appulse.workflows.capture_plans import _find, _with_named

    if not 0.01 <= place_arcsec <= 10:
        raise InputError(f"--place-sigma {place_arcsec:g}: 0.01 to 10 arcsec are allowed")
    names = []
    for word in sites:
        campaign, name = _with_named(campaign, word, None)
        names.append(name)
    if names[0] == names[1]:
        raise InputError(f"{names[0]} twice: a plan together needs two sites")
    pair = [next(site for site in campaign.sites if site.name == name) for name in names]
    encounter, catalogue, _notes = _find(encounter_id, campaign)
    nights = nights_of_pass(encounter, catalogue, replace(campaign, sites=tuple(pair)))
    mine = [[night for night in nights if night.site.name == name] for name in names]
    begin = min(night.times[0] for night in nights)
    end = max(night.times[-1] for night in nights)
    times = begin + (end - begin) * np.linspace(0, 1, int((end - begin).to_value("min") / STEP_MINUTES) + 1)
    usable, altitude = zip(*(_on_grid(some, times) for some in mine), strict=True)
    both = usable[0] & usable[1]
    windows = _stretches(both, times)
    places = [night.site.shown.place for night in (mine[0][0], mine[1][0])]
    body = body_vectors(encounter, catalogue)(times)
    distance = np.linalg.norm(body, axis=1)
    sight = body / distance[:, None]
    apart = places[0].posvel_au(times)[0] - places[1].posvel_au(times)[0]
    across = np.linalg.norm(apart - np.sum(apart * sight, axis=1, keepdims=True) * sight, axis=1)
    from appulse.constants import ARCSEC_PER_RAD, AU_KM

    rows = np.flatnonzero(both)
    table = Table()
    table["time"] = [text[:16] for text in times[rows].isot] if len(rows) else np.array([], str)
    for name, values in zip(names, altitude, strict=True):
        table[f"altitude_{name}"] = np.round(values[rows], 1)
    table["baseline_km"] = np.round(across[rows] * AU_KM, 0)
    table["parallax_arcsec"] = np.round(across[rows] / distance[rows] * ARCSEC_PER_RAD, 2)
    if not windows:
        words = f"{names[0]} and {names[1]} have no common window around this pass: {_why(usable, names)}."
        return PlannedTogether(tuple(names), (), table, np.nan, np.nan, (words,))
    longest = max(windows, key=lambda ends: (ends[1] - ends[0]).jd)
    near = int(np.argmin(np.abs((times - longest[0] - (longest[1] - longest[0]) / 2).jd)))
    sigma = _expected(encounter, catalogue, places, names, longest, place_arcsec)
    said = _sentences(names, windows, longest, table, distance[near], sigma, place_arcsec)
    return PlannedTogether(tuple(names), tuple(windows), table, float(distance[near]), sigma, said)


def _on_grid(nights, times):
    """Usable moments and altitudes of a site's nights on common times."""
    import numpy as np

    usable, altitude = np.zeros(len(times), bool), np.full(len(times), np.nan)
    for night in nights:
        at = (times - night.times[0]).jd
        own = (night.times - night.times[0]).jd
        inside = (at >= own[0]) & (at <= own[-1])
        altitude[inside] = np.interp(at[inside], own, night.altitude)
        usable[inside] |= np.interp(at[inside], own, night.usable.astype(float)) > 0.999
    return usable, altitude


def _stretches(both, times) -> list:
    import numpy as np

    edges = np.flatnonzero(np.diff(np.r_[False, both, False].astype(int)))
    return [(times[a], times[b - 1]) for a, b in zip(edges[::2], edges[1::2], strict=True) if b - a >= 2]


def _why(usable, names) -> str:
    never = [name for name, some in zip(names, usable, strict=True) if not some.any()]
    return f"{' and '.join(never)} cannot photograph it at all" if never else "their hours do not meet"


def _expected(encounter, catalogue, places, names, window, place_arcsec) -> float:
    """Sigma of the inverse distance, by the very fit that will be made, of places without error."""
    import numpy as np

    from appulse.astrometry import Sighting, distance_by_parallax
    from appulse.bodies import NBodyEphemeris

    times = window[0] + (window[1] - window[0]) * np.linspace(0, 1, PLACES)
    ephemeris = NBodyEphemeris(catalogue.take(np.array([encounter.row])))
    sightings, covariance = [], place_arcsec**2 * np.eye(2)
    for name, place in zip(names, places, strict=True):
        rows = ephemeris.at(times, place, uncertainty=False)
        sightings += [
            Sighting(name, time, float(row["ra"].value), float(row["dec"].value), covariance, place)
            for time, row in zip(times, rows, strict=True)
        ]
    return float(distance_by_parallax(sightings).sigma_inverse_au)


def _sentences(names, windows, longest, table, distance, sigma, place_arcsec) -> tuple[str, ...]:
    import numpy as np

    hours = (longest[1] - longest[0]).to_value("h")
    base = np.asarray(table["baseline_km"])
    said = [
        f"{names[0]} and {names[1]} can photograph it together in {len(windows)} "
        f"window{'s' if len(windows) > 1 else ''}; the longest, {hours:.1f} h, is "
        f"{longest[0].utc.isot[:16].replace('T', ' ')} to {longest[1].utc.isot[11:16]} UTC.",
        f"Baseline across the line of sight: {base.min():.0f} to {base.max():.0f} km; parallax up to "
        f"{np.max(table['parallax_arcsec']):.1f} arcsec.",
    ]
    share = sigma * distance
    if share < 1 / 3:
        said.append(
            f"With {PLACES} places of {place_arcsec:g} arcsec from each, a distance of {distance:.4g} au "
            "would come "
            f"out to ± {100 * share:.2g}% (1 sigma)."
        )
    else:
        said.append(
            f"With {PLACES} places of {place_arcsec:g} arcsec from each, the distance of {distance:.4g} "
            "au cannot be "
            f"measured (1 sigma of its inverse is {100 * share:.0f}% of it): it takes a longer baseline "
            "or better places."
        )
    return tuple(said)
