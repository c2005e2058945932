"""What the sources of places that know states in space have in common."""

import numpy as np

from appulse.bodies.ephemeris_table import build_table, clean_times
from appulse.bodies.kernels import SUN
from appulse.bodies.photometry import magnitude
from appulse.bodies.places import angles, sight, view
from appulse.bodies.places import apparent_rates as apparent_rates_of_date


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

    def table(self, rows, time, observer, *, apparent_rates=False, uncertainty=True):
        """As :meth:`at`, for rows in place of designations.

        Parameters
        ----------
        rows : (k,) int array
            As :meth:`rows` gives them; may be empty.
        time, observer, apparent_rates, uncertainty
            As for :meth:`at`.

        Returns
        -------
        QTable
        """
        times = clean_times(time)
        rows = np.asarray(rows, dtype=int)
        seen = view(self.kernels, times, observer)
        line = self._sight(rows, seen)
        columns = angles(line, seen)
        names, records, sources = self.describe(rows)
        lit = zip(records, columns["r"], columns["delta"], columns["phase"], strict=True)
        mags = [magnitude(*body) for body in lit]
        columns["mag"] = np.array([m for m, _ in mags]).reshape(len(rows), len(times))
        if apparent_rates:
            columns.update(apparent_rates_of_date(line, seen))
        ellipses = self._ellipses(rows, seen, line) if uncertainty else None
        meta = {
            "engine": self.engine,
            "kernels": self.kernels.description,
            "source": sources,
            "magnitudes": sorted({system for _, system in mags}),
            "uncertainty": self.uncertainties(rows),
        }
        return build_table(names, times, observer, columns, ellipses, meta)

    def uncertainties(self, rows):
        """What is known of the uncertainty of each body's orbit, by designation; nothing here."""
        return {}

    def vectors(self, time, observer, rows=None):
        """Astrometric vectors from the observer, for those who need many places and no table.

        Parameters
        ----------
        time : Time, scalar or (m,), any scale
        observer : Site, SpacecraftVector or alike
        rows : (k,) int array, optional
            Rows as :meth:`rows` gives them; all by default.

        Returns
        -------
        (k, m, 3) array, au, ICRF axes, light time included

        Raises
        ------
        AppulseError
            As :meth:`at`.
        """
        rows = self.rows(None) if rows is None else np.asarray(rows, dtype=int)
        return self._sight(rows, view(self.kernels, clean_times(time), observer)).vector

    def _sun(self, t_d):
        return self.kernels.major(t_d)[0][:, SUN]

    def _sight(self, rows, seen):
        return sight(self.states, self._sun, rows, seen)

    def _ellipses(self, rows, seen, line):
        """(3, k, m): sigma_major, sigma_minor, sigma_pa; NaN where unknown."""
        return None
