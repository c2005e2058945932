"""The MPC's list of named minor planets, packed: their orbits, and roughly where they are in other years.

The file holds whole numbers in units of the last printed digit, so that the elements come out as printed.
For a field of 1995 two-body motion from an epoch of 2025 would exclude nobody, and 22,000 integrations over
thirty years take half a minute; so every fifth year is there too, good to some hundredths of a degree::

    1990 ...... 2015 <- 2020 <- epoch 2025.9 -> 2030 -> 2035 ...... 2050
                  steps of equinoctial elements beyond two-body motion, in two bytes each

Those places choose who is integrated; no prediction starts from them.
"""

from functools import lru_cache
from typing import NamedTuple

import numpy as np

from appulse.bodies.catalogue import OrbitCatalogue
from appulse.bodies.designations import read_name
from appulse.bodies.kernels import DATA
from appulse.bodies.known_bodies import NAMED_FILE
from appulse.bodies.orbit import perihelion_elements, states_icrf
from appulse.constants import GM_SUN
from appulse.errors import OrbitError

FILE = DATA / NAMED_FILE
YEARS = range(1990, 2051, 5)
# Units of the printed digits: a (au), e, i, node, peri, M (degrees).
DIGITS = np.array([1e7, 1e7, 1e5, 1e5, 1e5, 1e5])
# Steps of a (au), e sin and e cos of the perihelion's longitude, tan(i/2) sin and cos of the node,
# mean longitude (rad).
QUANTUM = 2e-4
NO_STEP = -32_768
# What such a place may be off up to 2.5 years of two-body motion later, au, beyond 2.5 au from the Sun as
# much more as the body is farther: twice the most that data/make_starter.py meets among all bodies, which
# refuses to write a file that exceeds it.
DOUBT_AU, DOUBT_WITHIN_AU = 0.01, 2.5
SAME_AU = 1e-11


class Rough(NamedTuple):
    """Bodies of a catalogue that are in the list, in a year nearer to a time than their epoch."""

    rows: np.ndarray  # of the catalogue
    epoch_jd_tdb: float
    state: np.ndarray  # (k, 6) heliocentric, ICRF axes, au and au/d

    @property
    def doubt_au(self) -> np.ndarray:
        """What the places may be off (k,), au."""
        away = np.linalg.norm(self.state[:, :3], axis=1)
        return DOUBT_AU * np.maximum(away / DOUBT_WITHIN_AU, 1.0)


@lru_cache(maxsize=1)
def listed_orbits() -> OrbitCatalogue:
    """The orbits of the list; OrbitError where the installation lacks it."""
    try:
        with np.load(FILE, allow_pickle=False) as file:
            printed = joined(file["elements"]).T / DIGITS
            number, h, g = file["number"].astype(int), file["h"] / 100.0, file["g"] / 100.0
            names = file["names"].tobytes().decode().split("\n")
            epoch, source, date = float(file["epoch"]), str(file["source"]), str(file["date"])
    except (OSError, KeyError, ValueError) as error:
        raise OrbitError(
            f"the bundled table {FILE.name} cannot be read ({error}): install appulse again"
        ) from None
    # Where a body has no name yet, its provisional designation stands for it: by that it is found, too.
    others = {row: name for row, name in enumerate(names) if name[:1].isdigit()}
    extras = {row: {"aliases": (read_name(name).designation,)} for row, name in others.items()}
    a, e, i, node, peri, mean = printed.T
    epochs = np.full(len(a), epoch)
    elements, _ = perihelion_elements(epochs, e, i, node, peri, a=a, m=mean)
    return OrbitCatalogue(
        number.astype("S"), epochs, elements=elements, name=np.array(names), number=number, h=h, g=g,
        extras=extras, source=source, source_date=date,
    )  # fmt: skip


def parted(values: np.ndarray) -> np.ndarray:
    """Whole numbers as bytes, those of one weight together: they pack better."""
    return np.moveaxis(values[..., None].view(np.uint8), -1, 0).copy()


def joined(parts: np.ndarray) -> np.ndarray:
    """What :func:`parted` took apart, as int64."""
    kind = {2: "<i2", 4: "<u4", 8: "<i8"}[len(parts)]
    return np.ascontiguousarray(np.moveaxis(parts, 0, -1)).view(kind)[..., 0].astype(np.int64)


def equinoctial(elements: np.ndarray, t_jd) -> np.ndarray:
    """(6, n) a, e sin, e cos, tan(i/2) sin, tan(i/2) cos, mean longitude at a time, of elements (n, 6)."""
    q, e = elements[:, :2].T
    inc, node, peri = np.radians(elements[:, 2:5].T)
    a = q / (1.0 - e)
    mean = np.sqrt(GM_SUN / a**3) * (t_jd - elements[:, 5])
    tilt, turn = np.tan(inc / 2.0), node + peri
    ends = e * np.sin(turn), e * np.cos(turn), tilt * np.sin(node), tilt * np.cos(node)
    return np.array([a, *ends, turn + mean])


def classical(six: np.ndarray, t_jd: float) -> np.ndarray:
    """Elements (n, 6) as catalogues hold them, of what :func:`equinoctial` gives."""
    a, es, ec, ts, tc, longitude = six
    e, node, turn = np.hypot(es, ec), np.arctan2(ts, tc), np.arctan2(es, ec)
    mean = np.mod(longitude - turn + np.pi, 2.0 * np.pi) - np.pi
    passage = t_jd - mean * np.sqrt(a**3 / GM_SUN)
    angles = np.degrees([2.0 * np.arctan(np.hypot(ts, tc)), node, turn - node])
    return np.array([a * (1.0 - e), e, *angles, passage]).T


def moved_on(six: np.ndarray, days: float) -> np.ndarray:
    """Equinoctial elements after some days of two-body motion."""
    six = six.copy()
    six[5] += np.sqrt(GM_SUN / six[0] ** 3) * days
    return six


def year_jd(year: int) -> float:
    """JD TDB of the beginning of a Julian year."""
    return 2_451_545.0 + (year - 2000) * 365.25


def ways(epoch_jd: float) -> tuple[list[int], list[int]]:
    """Numbers of the years kept, from an epoch onwards and back, those within a year of it left out."""
    away = [(k, year_jd(year) - epoch_jd) for k, year in enumerate(YEARS)]
    return [k for k, d in away if d > 365.25], [k for k, d in away if d < -365.25][::-1]


@lru_cache(maxsize=2)
def _rough_states(number: int) -> np.ndarray:
    """(n, 6) states of the whole list in a year kept; NaN where its steps do not hold a body."""
    listed = listed_orbits()
    with np.load(FILE, allow_pickle=False) as file:
        steps = file["steps"]
    before = epoch = float(listed.epoch_jd_tdb[0])
    six = equinoctial(listed.elements, epoch)
    for k in next(way for way in ways(epoch) if number in way):
        step = joined(steps[:, k])
        six = moved_on(six, year_jd(YEARS[k]) - before) + np.where(step == NO_STEP, np.nan, step * QUANTUM)
        before = year_jd(YEARS[k])
        if k == number:
            break
    good = np.isfinite(six).all(axis=0) & (np.hypot(six[1], six[2]) < 1.0) & (six[0] > 0.0)
    states = np.full((len(listed), 6), np.nan)
    states[good] = states_icrf(classical(six[:, good], before), np.full(good.sum(), before))
    return states


def roughly(catalogue, t_jd: float) -> Rough | None:
    """Where bodies of a catalogue that are in the list are in the year kept nearest to a time.

    None where the epoch is nearer.
    """
    listed = listed_orbits()
    epoch = float(listed.epoch_jd_tdb[0])
    number = int(np.argmin([abs(year_jd(year) - t_jd) for year in YEARS]))
    away = abs(year_jd(YEARS[number]) - t_jd)
    if away >= abs(epoch - t_jd) or not any(number in way for way in ways(epoch)):
        return None
    at = np.minimum(np.searchsorted(listed.number, catalogue.number), len(listed) - 1)
    rows = np.flatnonzero((listed.number[at] == catalogue.number) & (catalogue.epoch_jd_tdb == epoch))
    # A newer orbit of the body is not the list's.
    same = (np.abs(listed.state[at[rows]] - catalogue.state[rows]) < SAME_AU).all(axis=1)
    states = _rough_states(number)[at[rows]]
    same &= np.isfinite(states).all(axis=1)
    return Rough(rows[same], year_jd(YEARS[number]), states[same])
