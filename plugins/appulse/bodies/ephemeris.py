"""Predicted places of bodies from their orbits.

Every source of places, integrated, tabulated or from a kernel, has the same ``at(time, observer)`` and
returns the same table, so that nothing downstream asks where a place came from.
"""

import contextlib

import numpy as np

from appulse.bodies import astrometric, carried, outgassing
from appulse.bodies.astrometric import (
    angles,
    body_list,
    build_table,
    clean_times,
    light_path,
    observer_state,
    sight,
)
from appulse.bodies.catalogue import OrbitCatalogue
from appulse.bodies.engine import TOLERANCE, Bodies, catalogue_bodies, neighbour_bodies, trajectory
from appulse.bodies.kernels import SUN, chosen_kernels, default_kernels
from appulse.bodies.photometry import Brightness, magnitude, nuclear_magnitude, total_sigma
from appulse.bodies.uncertainty import model_sigma_au, neighbours, sky_ellipse, stated, typical_sigma
from appulse.constants import ARCSEC_PER_RAD, J2000_JD
from appulse.errors import EphemerisSpanError, OrbitError
from appulse.numerics import separation_rad


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
            (au), sun_pa, antivelocity_pa, plane_elevation (deg), mag, sigma_major, sigma_minor (arcsec, one
            sigma), sigma_pa (deg). What is not known is masked. Comets have sigma_mag and, where M2 is known,
            nuclear_mag; their mag is the total one.

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
        geometry = list(zip(records, columns["r"], columns["delta"], columns["phase"], strict=True))
        mags = [magnitude(*body) for body in geometry]
        shape = (len(rows), len(times))
        columns["mag"] = np.array([m for m, _ in mags]).reshape(shape)
        sigmas = [[total_sigma(record)] for record in records]
        columns["sigma_mag"] = np.broadcast_to(np.array(sigmas).reshape(-1, 1), shape)
        columns["nuclear_mag"] = np.array([nuclear_magnitude(*body) for body in geometry]).reshape(shape)
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
        if uncertainty and (notes := self.cautions(rows, seen)):
            meta["notes"] = notes
        if typical := self.typical_sigmas(rows):
            meta["typical_sigma_arcsec"] = typical
        return build_table(names, times, observer, columns, ellipses, meta)

    def uncertainties(self, rows: np.ndarray):
        """What is known of the uncertainty of each body's orbit, by designation; nothing here."""
        return {}

    def typical_sigmas(self, rows: np.ndarray) -> dict[str, float]:
        """One sigma, arcsec, of orbits like these, by designation, where one without covariance has such."""
        return {}

    def cautions(self, rows: np.ndarray, seen) -> tuple[str, ...]:
        """What a user should know of these places; nothing here."""
        return ()

    def vectors(self, time, observer, rows: np.ndarray | None = None):
        """Astrometric vectors (k, m, 3), au, ICRF axes, for many places without a table."""
        rows = self.rows(None) if rows is None else np.asarray(rows, dtype=int)
        return light_path(self.states, rows, observer_state(self.kernels, clean_times(time), observer)).vector

    def _sun(self, t_d):
        return np.hstack([part[:, SUN] for part in self.kernels.major(t_d)])

    def _sight(self, rows, seen):
        return sight(self.states, self._sun, rows, seen)

    def _ellipses(self, rows: np.ndarray, seen, line):
        """(3, k, m): sigma_major, sigma_minor, sigma_pa; NaN where unknown."""
        return None


# A trajectory that begins within so much of a time serves it; carried states are a year apart.
ONE_YEAR_D, HALF_YEAR_D = 365.25, 0.5 * 365.25
# Uncertainties are listed for so many bodies at most: a longer list would hide the table below it.
MAX_STATED = 20


class _Some:
    """The labels of some of the bodies."""

    def __init__(self, bodies, rows):
        self.labels, self.rows = bodies.labels, rows

    def __getitem__(self, i):
        return self.labels[self.rows[i]]


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
        # Row of the catalogue -> (TDB days where it begins or was asked about, trajectory number, row there).
        self._where = {}
        self._years = {}  # trajectory number -> years whose states are kept
        self._clouds = {}  # row -> (trajectory of its neighbours, their scales)
        self._pushed = {}  # row -> trajectory of the body with and without stronger jets

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
            light.append(Brightness(*known, *(more.get(key) for key in Brightness._fields[4:])))
        sources = sorted({text for text in some.source.split("; ") if text})
        return [str(name) for name in some.designation], light, sources

    def uncertainties(self, rows: np.ndarray):
        """What is known of the uncertainty of each body's orbit, by designation, in words."""
        if len(rows) > MAX_STATED:
            return {}
        return {str(self.orbit(row).designation): stated(self.orbit(row)) for row in rows}

    def typical_sigmas(self, rows: np.ndarray) -> dict[str, float]:
        """One sigma, arcsec, of orbits like these, by designation, where one without covariance has such."""
        if len(rows) > MAX_STATED:
            return {}
        sigmas = {str(self.orbit(row).designation): typical_sigma(self.orbit(row)) for row in rows}
        return {name: sigma for name, sigma in sigmas.items() if np.isfinite(sigma)}

    def cautions(self, rows: np.ndarray, seen) -> tuple[str, ...]:
        """Warnings of comets whose elements are older than their places need."""
        found = []
        for row in map(int, rows) if len(rows) <= MAX_STATED else ():
            orbit = self.orbit(row)
            held_jd = outgassing.rests_on_jd(orbit)
            age_d = np.abs(seen.t_d + J2000_JD - held_jd)
            if orbit.covariance is not None or not outgassing.is_comet(orbit.designation):
                continue
            worst = int(np.argmax(age_d))
            if age_d[worst] < outgassing.FRESH_D:
                continue
            # Beyond the kernels, or in the Sun with stronger jets: the shift cannot be told.
            with contextlib.suppress(OrbitError, EphemerisSpanError):
                shift = self._jet_shift(row, held_jd, seen)
                first = outgassing.is_first_apparition(orbit.designation)
                if shift.max() >= outgassing.NOTED_ARCSEC or (
                    first and age_d.max() > outgassing.FIRST_ORBIT_D
                ):
                    worst = int(np.argmax(shift))
                    when = float(seen.t_d[worst] + J2000_JD)
                    found.append(outgassing.words(orbit, held_jd, when, float(shift[worst])))
        return tuple(found)

    def _jet_shift(self, row, held_jd, seen):
        """Shift on the sky (m,), arcsec, that stronger jets since a time make of a body."""
        if row not in self._pushed:
            t_d = np.array([[held_jd - J2000_JD]])
            state = self.states(np.array([row]), t_d)[0, 0] - self._sun(t_d[0])[0]
            bodies = outgassing.pushed(self.orbit(row), state, held_jd)
            self._pushed[row] = trajectory(bodies, self.kernels, outgassing.TOLERANCE)
        lines = light_path(self._pushed[row].states, np.arange(3), seen).vector
        return np.hypot(*separation_rad(lines[1:], lines[0])) * ARCSEC_PER_RAD

    def states(self, rows: np.ndarray, t_d: np.ndarray):
        """Barycentric states (k, m, 6) of rows (k,) at t_d (k, m); au and au/d, ICRF axes."""
        self.kernels.check_span(t_d)
        which = self._tracks_near(rows, 0.5 * (np.min(t_d, axis=1) + np.max(t_d, axis=1)))
        out = np.empty((*np.shape(t_d), 6))
        for number in np.unique(which[:, 0]):
            mine = which[:, 0] == number
            out[mine] = self._tracks[number].states(which[mine, 1], t_d[mine])
        self._keep_years(which, t_d)
        return out

    def _tracks_near(self, rows, middle_d):
        """Trajectory and row there (k, 2) of each body; one that begins within a year of the time, if any."""
        which, fresh = np.empty((len(rows), 2), dtype=int), {}
        for i, (row, middle) in enumerate(zip(map(int, rows), middle_d.tolist(), strict=True)):
            begins = self._where.get(row, ())
            best = min(begins, key=lambda begin: abs(begin[0] - middle), default=None)
            if best is not None and abs(best[0] - middle) <= ONE_YEAR_D:
                which[i] = best[1:]
            else:
                fresh.setdefault(row, middle)
        # Bodies that are new are integrated together, in one sweep.
        if fresh:
            self._begin(np.array(list(fresh)), np.array(list(fresh.values())))
            return self._tracks_near(rows, middle_d)
        return which

    def _begin(self, rows: np.ndarray, middle_d: np.ndarray):
        """New trajectories where none begins near enough: from the epoch, or from a year kept before."""
        bodies = catalogue_bodies(self.catalogue, rows)
        far = np.abs(bodies.epoch_d - middle_d) > ONE_YEAR_D
        if far.any() and self.may_be_carried():
            found, states = carried.nearest(carried.orbit_keys(bodies), middle_d)
            nearer = far & (np.abs(found - middle_d) < np.abs(bodies.epoch_d - middle_d))
            state = np.where(nearer[:, None], states, bodies.state)
            bodies = bodies._replace(epoch_d=np.where(nearer, found, bodies.epoch_d), state=state)
        new = [
            i for i, row in enumerate(rows.tolist()) if not self._know(row, bodies.epoch_d[i], middle_d[i])
        ]
        if new:
            some = Bodies(
                *(column[new] for column in bodies[:3]), [bodies.terms[i] for i in new], _Some(bodies, new)
            )
            self._tracks.append(trajectory(some, self.kernels, self.tolerance))
            for at, i in enumerate(new):
                begins = self._where.setdefault(int(rows[i]), [])
                track = (len(self._tracks) - 1, at)
                begins += [(float(bodies.epoch_d[i]), *track), (float(middle_d[i]), *track)]

    def _know(self, row, epoch_d, middle_d):
        """Whether a trajectory from there is at hand already: then it serves the time asked about, too."""
        for begin, *track in self._where.get(row, ()):
            if begin == epoch_d:
                self._where[row].append((float(middle_d), *track))
                return True
        return False

    def may_be_carried(self):
        """Carried years belong to the bundled kernels and the full accuracy."""
        return self.tolerance == TOLERANCE and self.kernels is default_kernels() and chosen_kernels() is None

    def _keep_years(self, which, t_d):
        """Keep the states at the years that an integration over more than one has passed."""
        if not self.may_be_carried():
            return
        for number in np.unique(which[:, 0]):
            track, kept = self._tracks[number], self._years.setdefault(int(number), set())
            mine = which[:, 0] == number
            start = track.epoch_d[which[mine, 1]]
            low = np.minimum(t_d[mine].min(axis=1), start)
            high = np.maximum(t_d[mine].max(axis=1), start)
            if np.max(high - low) > 1.5 * ONE_YEAR_D:
                # The year nearest to the time asked about may lie a little beyond it.
                low, high = (
                    np.where(low < start, low - HALF_YEAR_D, low),
                    np.where(high > start, high + HALF_YEAR_D, high),
                )
                years = [
                    y for y in carried.YEARS if low.min() < carried.year_d(y) < high.max() and y not in kept
                ]
                kept.update(years)
                # A body may come to its end in that half year: then its company is not kept, either.
                with contextlib.suppress(OrbitError):
                    self._keep(int(number), which[mine, 1], low, high, years)

    def _keep(self, number, at, low_d, high_d, years):
        """Keep the states of bodies ``at`` of one trajectory at the years between two times of each."""
        track, nodes_d = self._tracks[number], carried.year_d(years)
        start = track.epoch_d[at][:, None]
        # Nearer to the beginning than half a year nothing is gained.
        passed = (
            (nodes_d > low_d[:, None]) & (nodes_d < high_d[:, None]) & (np.abs(nodes_d - start) > HALF_YEAR_D)
        )
        if not passed.any():
            return
        states = track.states(at, np.where(passed, nodes_d, start))
        sun = np.hstack([part[:, SUN] for part in self.kernels.major(nodes_d)])
        body, year = np.nonzero(passed)
        rows = {
            row_there: row for row, begins in self._where.items() for _, n, row_there in begins if n == number
        }
        keys = carried.orbit_keys(catalogue_bodies(self.catalogue, [rows[int(i)] for i in at]))
        carried.keep(np.array(years)[year], keys[body], states[body, year] - sun[year])

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
            members = light_path(cloud.states, np.arange(2 * len(scale)), seen)
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
    >>> table = predict([orbit], Time("2026-02-01"), Site.parse("20.5,-23,1250"))
    >>> bool(0.1 < table["delta"][0].value < 3.0), bool(table["mag"].mask[0])
    (True, True)
    """
    kernels = options.pop("kernels", None)
    return NBodyEphemeris(orbits, kernels=kernels).at(times, observer, **options)
