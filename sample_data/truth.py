"""Where (7) truly stood: places from the JPL kernels, computed without appulse.

Writes ``truth.ecsv`` (astrometric places from the southern site, every five minutes) and ``orbit.ecsv``
(the body's state at one epoch, the demo's orbit table). Method: barycentric vectors of DE440 and SB441-N16
read with jplephem, the site carried by ERFA's Earth rotation through astropy, light time by iteration; no
aberration, no deflection (an astrometric place as the ephemeris services print it).

    python sample_data/truth.py                                       with the kernels in the source tree
    python sample_data/truth.py --planets FILE --asteroids FILE       with the whole ones
"""

import argparse
from pathlib import Path

import numpy as np
import scenario
from astropy import units as u
from astropy.coordinates import EarthLocation
from astropy.table import Table
from astropy.time import Time
from astropy.utils import iers
from jplephem.spk import SPK

HERE = Path(__file__).resolve().parent
DATA = HERE.parent / "plugins" / "appulse" / "data"
PLANETS, ASTEROIDS = DATA / "de440_1990_2050.bsp", DATA / "sb441-n16_1990_2050.bsp"
C_KM_S = 299_792.458
AU_KM = 149_597_870.7
TARGET = 2_000_007
SUN = 10


class Kernels:
    """The two kernels, as barycentric positions in km at (jd1, jd2) TDB."""

    def __init__(self, planets: Path, asteroids: Path):
        self._planets, self._asteroids = SPK.open(planets), SPK.open(asteroids)

    def close(self) -> None:
        """Let go of the files."""
        self._planets.close()
        self._asteroids.close()

    def _asteroid_segment(self, jd: float):
        return next(
            s for s in self._asteroids.segments if s.target == TARGET and s.start_jd <= jd <= s.end_jd
        )

    def earth(self, jd1, jd2):
        """Earth's centre from the barycentre, km, shape (3, n)."""
        return self._planets[0, 3].compute(jd1, jd2) + self._planets[3, 399].compute(jd1, jd2)

    def sun(self, jd1, jd2):
        """Sun from the barycentre, km, shape (3, n)."""
        return self._planets[0, SUN].compute(jd1, jd2)

    def body_from_sun(self, jd1, jd2):
        """The body from the Sun: km and km/day, shapes (3, n)."""
        segment = self._asteroid_segment(float(np.mean(jd1 + jd2)))
        return segment.compute_and_differentiate(jd1, jd2)


def site_km(time: Time) -> np.ndarray:
    """The site from Earth's centre on ICRF axes, km, shape (3, n)."""
    s = scenario
    location = EarthLocation.from_geodetic(s.SITE_LON_DEG, s.SITE_LAT_DEG, s.SITE_HEIGHT_M * u.m)
    with iers.conf.set_temp("auto_download", False), iers.conf.set_temp("auto_max_age", None):
        position, _ = location.get_gcrs_posvel(time)
    return position.xyz.to_value(u.km)


def astrometric_km(kernels: Kernels, time: Time, observer_km: np.ndarray):
    """Vectors from the observer and from the Sun to where the body was when the light left; km, (3, n)."""
    jd1, jd2 = time.tdb.jd1, time.tdb.jd2
    here = kernels.earth(jd1, jd2) + observer_km
    delay_d = np.zeros_like(jd1)
    for _ in range(5):
        from_sun, _ = kernels.body_from_sun(jd1, jd2 - delay_d)
        there = kernels.sun(jd1, jd2 - delay_d) + from_sun
        delay_d = np.linalg.norm(there - here, axis=0) / C_KM_S / 86_400.0
    return there - here, from_sun


def places(kernels: Kernels, time: Time, observer_km) -> Table:
    """Table of RA, Dec, distances and magnitude."""
    vector, from_sun = astrometric_km(kernels, time, observer_km)
    delta, r = np.linalg.norm(vector, axis=0), np.linalg.norm(from_sun, axis=0)
    phase = np.arccos(np.sum(vector * from_sun, axis=0) / (delta * r))
    phi1 = np.exp(-3.33 * np.tan(phase / 2) ** 0.63)
    phi2 = np.exp(-1.87 * np.tan(phase / 2) ** 1.22)
    g = scenario.G_SLOPE
    mag = scenario.H_MAG + 5 * np.log10(delta * r / AU_KM**2) - 2.5 * np.log10((1 - g) * phi1 + g * phi2)
    ra, dec = np.degrees(np.arctan2(vector[1], vector[0])) % 360.0, np.degrees(np.arcsin(vector[2] / delta))
    columns = {"ra": (ra, 10, u.deg), "dec": (dec, 10, u.deg), "delta": (delta / AU_KM, 7, u.au)}
    columns |= {"r": (r / AU_KM, 7, u.au), "mag": (mag, 3, u.mag)}
    table = Table({"time": time.utc.isot})
    for name, (values, digits, unit) in columns.items():
        table[name] = np.round(values, digits)
        table[name].unit = unit
    return table


def _add_covariance(orbit: Table) -> None:
    """The invented error of the orbit, as the upper triangle of the state's covariance: cov_ij."""
    sigmas = [scenario.SIGMA_POSITION_AU] * 3 + [scenario.SIGMA_VELOCITY_AU_D] * 3
    for i, sigma in enumerate(sigmas):
        for j in range(i, 6):
            orbit[f"cov_{i}{j}"] = [float(f"{sigma**2:.6e}") if i == j else 0.0]


def main() -> None:
    """Write truth.ecsv and orbit.ecsv."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--planets", type=Path, default=PLANETS, help="a JPL DE440 kernel, whole or cut")
    parser.add_argument("--asteroids", type=Path, default=ASTEROIDS, help="a JPL SB441-N16 kernel, likewise")
    args = parser.parse_args()
    kernels = Kernels(args.planets, args.asteroids)

    time = Time("2027-05-04T19:30:00.000", scale="utc") + np.arange(0, 8.51 * 60, 5) * u.min
    table = places(kernels, time, site_km(time))
    table.meta["source"] = "JPL DE440 and SB441-N16 by truth.py, without appulse; astrometric, ICRF, time UTC"
    table.write(HERE / "truth.ecsv", overwrite=True)

    epoch = np.array([scenario.EPOCH_JD_TDB])
    position, velocity = kernels.body_from_sun(epoch, np.zeros(1))
    row = [scenario.BODY, scenario.EPOCH_JD_TDB, *(position[:, 0] / AU_KM), *(velocity[:, 0] / AU_KM)]
    names = ["designation", "epoch", "x", "y", "z", "vx", "vy", "vz", "H", "G"]
    units = dict.fromkeys("xyz", u.au) | dict.fromkeys(("vx", "vy", "vz"), u.au / u.d)
    units |= {"epoch": u.d, "H": u.mag}
    orbit = Table(rows=[[*row, scenario.H_MAG, scenario.G_SLOPE]], names=names, units=units)
    _add_covariance(orbit)
    orbit.meta["source"] = "JPL SB441-N16: heliocentric state on ICRF axes, epoch JD TDB; covariance invented"
    orbit.write(HERE / "orbit.ecsv", overwrite=True)
    kernels.close()


if __name__ == "__main__":
    main()
