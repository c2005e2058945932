"""Predicted places of bodies from their orbits.

Every source of places, integrated, tabulated or from a kernel, has the same ``at(time, observer)`` and
returns the same table, so that nothing downstream asks where a place came from.
"""

import numpy as np

from appulse.bodies import astrometric
from appulse.bodies.astrometric import angles, body_list, build_table, clean_times, observer_state, sight
from appulse.bodies.catalogue import OrbitCatalogue
from appulse.bodies.engine import TOLERANCE, catalogue_bodies, neighbour_bodies, trajectory
from appulse.bodies.kernels import SUN, default_kernels
from appulse.bodies.photometry import Brightness, magnitude
from appulse.bodies.uncertainty import model_sigma_au, neighbours, sky_ellipse, stated
from appulse.constants import J2000_JD


class StateEphemeris:
    """Places from barycentric states; where those come from is the subclass's business.

    A subclass has ``kernels`` and ``engine`` and answers ``rows(bodies)``, ``states(rows, t_d)`` and
    ``describe(rows)``: designations, brightness records (or None) for the magnitudes, sources.
    """

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
        rows = self.rows(bodies)
        return self.table(rows, time, observer, apparent_rates=apparent_rates, uncertainty=uncertainty)

    def table(self, rows: np.ndarray, time, observer, *, apparent_rates=False, uncertainty=True):
        """As :meth:`at`, for rows as :meth:`rows` gives them in place of designations."""
        times = clean_times(time)
        rows = np.asarray(rows, dtype=int)
        seen = observer_state(self.kernels, times, observer)
        line = self._sight(rows, seen)
        columns = angles(line, seen)
        names, records, sources = self.describe(rows)
        geometry = zip(records, columns["r"], columns["delta"], columns["phase"], strict=True)
        mags = [magnitude(*body) for body in geometry]
        columns["mag"] = np.array([m for m, _ in mags]).reshape(len(rows), len(times))
        if apparent_rates:
            columns.update(astrometric.apparent_rates(line, seen))
        ellipses = self._ellipses(rows, seen, line) if uncertainty else None
        meta = {
            "engine": self.engine,
            "kernels": self.kernels.description,
            "source": sources,
            "magnitudes": sorted({system for _, system in mags}),
            "uncertainty": self.uncertainties(rows),
        }
        return build_table(names, times, observer, columns, ellipses, meta)

    def uncertainties(self, rows: np.ndarray):
        """What is known of the uncertainty of each body's orbit, by designation; nothing here."""
        return {}

    def vectors(self, time, observer, rows: np.ndarray | None = None):
        """Astrometric vectors (k, m, 3), au, ICRF axes, for many places without a table."""
        rows = self.rows(None) if rows is None else np.asarray(rows, dtype=int)
        return self._sight(rows, observer_state(self.kernels, clean_times(time), observer)).vector

    def _sun(self, t_d):
        return self.kernels.major(t_d)[0][:, SUN]

    def _sight(self, rows, seen):
        return sight(self.states, self._sun, rows, seen)

    def _ellipses(self, rows: np.ndarray, seen, line):
        """(3, k, m): sigma_major, sigma_minor, sigma_pa; NaN where unknown."""
        return None


# Uncertainties are listed for so many bodies at most: a longer list would hide the table below it.
MAX_STATED = 20


class NBodyEphemeris(StateEphemeris):
    """Places by numerical integration; what has been integrated is kept for the next call.

    Parameters
    ----------
    orbits : OrbitCatalogue, Orbit or sequence of Orbit
    kernels : Kernels, optional
        Longer ones of the user's own; by default those that come with appulse (1990 to 2050).
    tolerance : float
        Of the integration; a larger one is for a first look only.

    Raises
    ------
    OrbitError
        No orbit is given.

    Examples
    --------
    >>> from astropy.time import Time
    >>> from appulse.bodies.orbit import Orbit
    >>> from appulse.observers.site import Site
    >>> orbit = Orbit.from_elements("7", 2461000.5, q=1.84, e=0.23, i=5.5, node=260, peri=145, tp=2461200.5)
    >>> table = NBodyEphemeris([orbit]).at(Time(["2026-01-01", "2026-01-02"]), Site.geocentre())
    >>> str(table["designation"][0]), str(table["ra"].unit), len(table)
    ('7', 'deg', 2)
    """

    engine = "DOP853 N-body: Sun (1PN, J2), 8 planets, Moon, Pluto, massive asteroids"

    def __init__(self, orbits, *, kernels=None, tolerance=TOLERANCE):
        if not isinstance(orbits, OrbitCatalogue):
            orbits = OrbitCatalogue.from_orbits([orbits] if hasattr(orbits, "epoch_jd_tdb") else orbits)
        self.catalogue = orbits
        self.kernels, self.tolerance = kernels or default_kernels(), tolerance
        self._orbits = {}
        self._tracks = []  # (trajectory, rows of the catalogue in its order)
        self._where = {}  # row of the catalogue -> (trajectory number, row there)
        self._clouds = {}  # row -> (trajectory of its neighbours, their scales)

    @property
    def kept(self):
        """How many bodies have been integrated and are kept."""
        return len(self._where)

    def rows(self, bodies):
        """Rows of the catalogue that some designations mean, in the order asked for."""
        if bodies is None:
            return np.arange(len(self.catalogue))
        found = []
        for body in body_list(bodies):
            rows = self.catalogue.rows_of(str(body))
            if len(rows) != 1:
                # Raises with what is wrong, and what comes near.
                self.catalogue.row_of(str(body))
            found.append(int(rows[0]))
        return np.array(found, dtype=int)

    def orbit(self, row: int):
        """The orbit record of a row of the catalogue."""
        row = int(row)
        if row not in self._orbits:
            self._orbits[row] = self.catalogue.orbit(row)
        return self._orbits[row]

    def describe(self, rows: np.ndarray):
        """Designations, brightness and sources of rows, without making a record of each."""
        some = self.catalogue.take(rows)
        # NaN in a column means that the record gives nothing.
        known_or_none = lambda values: [None if np.isnan(v) else float(v) for v in values]  # noqa: E731
        columns = [known_or_none(getattr(some, key)) for key in ("h", "g", "m1", "k1")]
        light = []
        for i, known in enumerate(zip(*columns, strict=True)):
            more = some.extras.get(i, {})
            light.append(Brightness(*known, *(more.get(key) for key in ("g1", "g2", "g12"))))
        sources = sorted({text for text in some.source.split("; ") if text})
        return [str(name) for name in some.designation], light, sources

    def uncertainties(self, rows: np.ndarray):
        """What is known of the uncertainty of each body's orbit, by designation, in words."""
        if len(rows) > MAX_STATED:
            return {}
        return {str(self.orbit(row).designation): stated(self.orbit(row)) for row in rows}

    def states(self, rows: np.ndarray, t_d: np.ndarray):
        """Barycentric states (k, m, 6) of rows (k,) at t_d (k, m); au and au/d, ICRF axes."""
        # Bodies that are new are integrated together, so that they can share their steps.
        fresh = [int(row) for row in dict.fromkeys(map(int, rows)) if int(row) not in self._where]
        if fresh:
            self._integrate(fresh)
        out = np.empty((*np.shape(t_d), 6))
        which = np.array([self._where[int(row)] for row in rows], dtype=int).reshape(-1, 2)
        for number in np.unique(which[:, 0]):
            mine = which[:, 0] == number
            out[mine] = self._tracks[number].states(which[mine, 1], t_d[mine])
        return out

    def _integrate(self, rows):
        bodies = catalogue_bodies(self.catalogue, rows)
        self._tracks.append(trajectory(bodies, self.kernels, self.tolerance))
        for i, row in enumerate(rows):
            self._where[row] = (len(self._tracks) - 1, i)

    def _ellipses(self, rows: np.ndarray, seen, line):
        """(3, k, m): sigma_major, sigma_minor, sigma_pa; NaN for a body without covariance."""
        out = np.full((3, len(rows), len(seen.t_d)), np.nan)
        for i, row in enumerate(map(int, rows)):
            if self.catalogue.extras.get(row, {}).get("covariance") is None:
                continue
            if row not in self._clouds:
                near = neighbours(self.orbit(row))
                cloud = trajectory(neighbour_bodies(self.orbit(row), near), self.kernels)
                self._clouds[row] = (cloud, near.scale)
            # The neighbours are seen from the same place at the same times: their difference is the error.
            cloud, scale = self._clouds[row]
            members = sight(cloud.states, self._sun, np.arange(2 * len(scale)), seen)
            left_out = model_sigma_au(seen.t_d - (self.catalogue.epoch_jd_tdb[row] - J2000_JD))
            out[:, i] = sky_ellipse(line.vector[i], members.vector, scale, left_out)
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
    >>> from appulse.bodies.orbit import Orbit
    >>> from appulse.observers.site import Site
    >>> orbit = Orbit.from_elements("2020 XX", 2461000.5, q=1.1, e=0.3, i=5, node=10, peri=20, tp=2461050.5)
    >>> table = predict([orbit], Time("2026-02-01"), Site.parse("X05"))
    >>> bool(0.1 < table["delta"][0].value < 3.0), bool(table["mag"].mask[0])
    (True, True)
    """
    kernels = options.pop("kernels", None)
    return NBodyEphemeris(orbits, kernels=kernels).at(times, observer, **options)
