"""Facts of a comet's tail and coma, each with its uncertainty and source."""

import numpy as np

from appulse.captions.formulas import Fact
from appulse.constants import AU_KM
from appulse.numerics import separation_rad, unit_from_radec

# Grains that are thought to make most of a dust tail's light; common practice, no source.
BRIGHT_BETAS = (0.1, 0.3, 1.0)
FACTOR = 2.0
"""Coma and tail of a single comet lie within this factor of the law."""
FINSON = "Finson & Probstein 1968, ApJ 154, 327; ejection speed zero"


def comet_facts(tail, source="ephemeris of this run") -> list:
    """What is to be said of a comet's tail and coma.

    Parameters
    ----------
    tail : CometTail
        Of :func:`appulse.bodies.comet_tail`, with syndynes for the age of the dust.
    source : str
        Of the orbit.

    Returns
    -------
    list of Fact
        ``tail_angle``, ``tail_length``, ``tail_pa``, ``dust_age``, ``coma_diameter``, ``coma_angle``; those
        that are not known are left out.

    Examples
    --------
    >>> from astropy.time import Time
    >>> from appulse.bodies import NBodyEphemeris, Orbit, comet_tail
    >>> from appulse.observers import Site
    >>> orbit = Orbit.from_elements("C/2026 X1", 2461000.5, q=0.9, e=1.0, i=60, node=80, peri=30,
    ...                             tp=2461050.5, m1=6.0, k1=10.0)
    >>> tail = comet_tail(NBodyEphemeris(orbit), "C/2026 X1", Time("2026-02-01"), Site.geocentre())
    >>> [fact.key for fact in comet_facts(tail)]
    ['tail_pa', 'tail_angle', 'tail_length', 'dust_age', 'coma_diameter', 'coma_angle']
    """
    given = tail.length_source == "given"
    known = given or tail.length_source != "unknown"
    facts = [
        Fact("tail_pa", tail.sun_pa, "deg", "position angle of the antisolar direction", source,
             uncertainty="that of the orbit; dust lies to the side of it"),
    ]  # fmt: skip
    if known:
        inputs = {"phase_deg": round(tail.phase, 3), "distance_au": round(tail.delta, 5)}
        where = "the observer" if given else tail.length_source
        limits = (None, None) if given else (tail.length_deg / FACTOR, tail.length_deg * FACTOR)
        angle, km = tail.length_deg * 60.0, tail.length_km
        scaled = [None if v is None else v * 60.0 for v in limits]
        facts += [
            Fact("tail_angle", angle, "arcmin", "given" if given else "law of lengths, seen from here", where,
                 *scaled, inputs=inputs, about=not given, uncertainty="that of the observer's estimate"),
            Fact("tail_length", km, "km", "along the antisolar line, from the angle and the phase angle",
                 f"{where}; {source}", *((None, None) if given else (km / FACTOR, km * FACTOR)),
                 inputs={"angle_arcmin": round(angle, 2)} | inputs, about=True,
                 uncertainty="that of the assumed angle; a tail that is bent is longer"),
        ]  # fmt: skip
        facts += _dust_age(tail, source)
    if np.isfinite(tail.coma_km):
        coma = tail.coma_km
        arcmin = float(np.degrees(2 * np.arctan(coma / 2 / (tail.delta * AU_KM)))) * 60.0
        facts += [
            Fact("coma_diameter", coma, "km", "law of diameters", tail.law_source, coma / FACTOR,
                 coma * FACTOR, about=True),
            Fact("coma_angle", arcmin, "arcmin", "diameter over distance", f"{tail.law_source}; {source}",
                 arcmin / FACTOR, arcmin * FACTOR, about=True),
        ]  # fmt: skip
    return facts


def _dust_age(tail, source):
    """Age of the grains at the tail's length: between those of strong and of weak radiation pressure."""
    ages = {curve.value: _age_at(tail, curve) for curve in tail.of_kind("syndyne")}
    found = [ages.get(beta) for beta in BRIGHT_BETAS]
    if any(age is None for age in found):
        return []
    old, middle, young = found
    formula = "age of the grains of \u03b2 0.3 at the tail's length; limits: \u03b2 1 and 0.1"
    return [
        Fact("dust_age", middle, "days", formula, f"{FINSON}; {source}", min(young, middle), max(old, middle),
             {"tail_arcmin": round(tail.length_deg * 60.0, 2)}, about=True)
    ]  # fmt: skip


def _age_at(tail, curve):
    """Age, d, at which a syndyne first lies as far from the nucleus as the tail is long; None beyond it."""
    nucleus = unit_from_radec(tail.ra, tail.dec)
    apart = np.degrees(separation_rad(unit_from_radec(curve.ra, curve.dec), nucleus))
    beyond = np.flatnonzero(apart >= tail.length_deg)
    if not len(beyond) or beyond[0] == 0:
        return None
    k = int(beyond[0])
    share = (tail.length_deg - apart[k - 1]) / (apart[k] - apart[k - 1])
    return float(curve.along[k - 1] + share * (curve.along[k] - curve.along[k - 1]))
