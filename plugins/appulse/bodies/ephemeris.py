"""Predicted places of bodies from their orbits.

Every source of places, integrated, tabulated or from a kernel, has the same ``at(time, observer)`` and
returns the same table, so that nothing downstream asks where a place came from.
"""

import numpy as np

from ..errors import DesignationError
from .ephemeris_table import build_table, clean_times
from .integration import trajectory
from .kernels import SUN, default_kernels
from .orbits import OrbitCatalogue
from .photometry import magnitude
from .places import angles, sight, view
from .places import apparent_rates as apparent_rates_of_date
from .uncertainty import neighbours, sky_ellipse

ENGINE = "DOP853 N-body: Sun (1PN, J2), 8 planets, Moon, Pluto, massive asteroids"


class NBodyEphemeris:
    """Places by numerical integration; what has been integrated is kept for the next call.

    Parameters
    ----------
    orbits : OrbitCatalogue, Orbit or sequence of Orbit
    kernels : Kernels, optional
        Longer ones of the user's own; by default those that come with appulse (1990 to 2050).

    Raises
    ------
    OrbitError
        No orbit is given.

    Examples
    --------
    >>> from astropy.time import Time
    >>> from appulse.bodies.orbits import Orbit
    >>> from appulse.observers.site import Site
    >>> orbit = Orbit.from_elements("7", 2461000.5, q=1.84, e=0.23, i=5.5, node=260, peri=145, tp=2461200.5)
    >>> table = NBodyEphemeris([orbit]).at(Time(["2026-01-01", "2026-01-02"]), Site.geocentre())
    >>> str(table["designation"][0]), str(table["ra"].unit), len(table)
    ('7', 'deg', 2)
    """

    def __init__(self, orbits, *, kernels=None):
        if not isinstance(orbits, OrbitCatalogue):
            orbits = OrbitCatalogue.from_orbits([orbits] if hasattr(orbits, "epoch_jd_tdb") else orbits)
        self.catalogue = orbits
        self.kernels = kernels or default_kernels()
        self._orbits = {}
        self._tracks = []  # (trajectory, rows of the catalogue in its order)
        self._where = {}  # row of the catalogue -> (trajectory number, row there)
        self._clouds = {}  # row -> (trajectory of its neighbours, their scales)

    def at(self, time, observer, bodies=None, *, apparent_rates=False, uncertainty=True):
        """Astrometric places.

        Parameters
        ----------
        time : Time, scalar or (m,), any scale
        observer : Site, SpacecraftVector or alike
        bodies : sequence of str (or one str), optional
            Designations, numbers or names; all by default.
        apparent_rates : bool
            Add ``ra_rate_apparent, dec_rate_apparent``: on the axes of date at the apparent place, as JPL
            Horizons prints its rates.
        uncertainty : bool
            Propagate covariances where there are any.

        Returns
        -------
        QTable
            A row per body and time, body by body: designation, time (UTC), ra, dec (deg, ICRF), ra_rate,
            dec_rate, rate (arcsec/h, RA rate with cos Dec), motion_pa, phase, elongation (deg), delta, r
            (au), mag, sigma_major, sigma_minor (arcsec, one sigma), sigma_pa (deg). What is not known is
            masked.

        Raises
        ------
        EphemerisSpanError
            A time lies outside the kernels.
        DesignationError
            A body is not in the catalogue, or a name means two.
        OrbitError
            A body's orbit ends (an impact) before a time asked for.
        TimeError
            A time is not finite or has no tie to TDB.
        """
        times = clean_times(time)
        rows = self.rows(bodies)
        seen = view(self.kernels, times, observer)
        line = self._sight(rows, seen)
        columns = angles(line, seen)
        orbits = [self.orbit(row) for row in rows]
        lit = zip(orbits, columns["r"], columns["delta"], columns["phase"], strict=True)
        mags = [magnitude(*body) for body in lit]
        columns["mag"] = np.array([m for m, _ in mags])
        if apparent_rates:
            columns.update(apparent_rates_of_date(line, seen))
        ellipses = self._ellipses(rows, seen, line) if uncertainty else None
        meta = {
            "engine": ENGINE,
            "kernels": self.kernels.description,
            "source": sorted({o.source for o in orbits if o.source}),
            "magnitudes": sorted({system for _, system in mags}),
        }
        return build_table([o.designation for o in orbits], times, observer, columns, ellipses, meta)

    def rows(self, bodies):
        """Rows of the catalogue that some designations mean, in the order asked for.

        Parameters
        ----------
        bodies : str, int, sequence of them, or None for all

        Returns
        -------
        (k,) int array

        Raises
        ------
        DesignationError
            Unknown, or it means two bodies.
        """
        if bodies is None:
            return np.arange(len(self.catalogue))
        if isinstance(bodies, str | int | np.integer):
            bodies = [bodies]
        found = []
        for body in bodies:
            rows = self.catalogue.rows_of(str(body))
            if len(rows) != 1:
                self.catalogue.select(str(body))  # says what is wrong, and what comes near
                raise DesignationError(f"{body!r} means {len(rows)} bodies; give a number or designation")
            found.append(int(rows[0]))
        return np.array(found, dtype=int)

    def vectors(self, time, observer, rows=None):
        """Astrometric vectors from the observer, for those who need many places and no table.

        Parameters
        ----------
        time : Time, scalar or (m,), any scale
        observer : Site, SpacecraftVector or alike
        rows : (k,) int array, optional
            Rows of the catalogue; all by default.

        Returns
        -------
        (k, m, 3) array, au, ICRF axes, light time included

        Raises
        ------
        AppulseError
            As :meth:`at`.
        """
        rows = np.arange(len(self.catalogue)) if rows is None else np.asarray(rows, dtype=int)
        return self._sight(rows, view(self.kernels, clean_times(time), observer)).vector

    def orbit(self, row):
        """The orbit record of a row of the catalogue."""
        row = int(row)
        if row not in self._orbits:
            self._orbits[row] = self.catalogue.orbit(row)
        return self._orbits[row]

    def states(self, rows, t_d):
        """Barycentric states of rows of the catalogue.

        Parameters
        ----------
        rows : (k,) int array
        t_d : (k, m) array, TDB days from J2000.0

        Returns
        -------
        (k, m, 6) array, au and au/d, ICRF axes
        """
        fresh = [int(row) for row in dict.fromkeys(map(int, rows)) if int(row) not in self._where]
        if fresh:
            self._integrate(fresh)
        out = np.empty((*np.shape(t_d), 6))
        which = np.array([self._where[int(row)] for row in rows])
        for number in np.unique(which[:, 0]):
            mine = which[:, 0] == number
            out[mine] = self._tracks[number].states(which[mine, 1], t_d[mine])
        return out

    def _integrate(self, rows):
        orbits = [self.orbit(row) for row in rows]
        track = trajectory(orbits, self.kernels)
        self._tracks.append(track)
        for i, row in enumerate(rows):
            self._where[row] = (len(self._tracks) - 1, i)

    def _sun(self, t_d):
        return self.kernels.major(t_d)[0][:, SUN]

    def _sight(self, rows, seen):
        return sight(self.states, self._sun, rows, seen)

    def _ellipses(self, rows, seen, line):
        """(3, k, m): sigma_major, sigma_minor, sigma_pa; NaN for a body without covariance."""
        out = np.full((3, len(rows), len(seen.t_d)), np.nan)
        for i, row in enumerate(map(int, rows)):
            if self.orbit(row).covariance is None:
                continue
            if row not in self._clouds:
                near = neighbours(self.orbit(row))
                self._clouds[row] = (trajectory([self.orbit(row)], self.kernels, near), near.scale)
            cloud, scale = self._clouds[row]
            members = sight(cloud.states, self._sun, np.arange(2 * len(scale)), seen)
            out[:, i] = sky_ellipse(line.vector[i], members.vector, scale)
        return out


def predict(orbits, times, observer, **options):
    """Places of bodies in one call: ``NBodyEphemeris(orbits).at(times, observer)``.

    Parameters
    ----------
    orbits, times, observer
        As for :class:`NBodyEphemeris`.
    **options
        ``kernels``, ``bodies``, ``apparent_rates``, ``uncertainty``.

    Returns
    -------
    QTable

    Raises
    ------
    AppulseError
        As :meth:`NBodyEphemeris.at`.

    Examples
    --------
    >>> from astropy.time import Time
    >>> from appulse.bodies.orbits import Orbit
    >>> from appulse.observers.site import Site
    >>> orbit = Orbit.from_elements("2020 XX", 2461000.5, q=1.1, e=0.3, i=5, node=10, peri=20, tp=2461050.5)
    >>> table = predict([orbit], Time("2026-02-01"), Site.parse("X05"))
    >>> bool(0.1 < table["delta"][0].value < 3.0), bool(table["mag"].mask[0])
    (True, True)
    """
    kernels = options.pop("kernels", None)
    return NBodyEphemeris(orbits, kernels=kernels).at(times, observer, **options)
