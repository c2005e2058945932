"""An observer in space, given by its vector at one moment."""

from dataclasses import dataclass

import numpy as np
from astropy.time import Time

from appulse.constants import AU_KM, DAY_S, GM_EARTH_KM3_S2, GM_SUN_KM3_S2
from appulse.errors import EphemerisSpanError, SiteError
from appulse.observers.timescales import tdb_days

MAX_CURVATURE_KM = 1.0
"""How far the straight line may stray from the true path, km: 1.4 mas at 1 au."""

_GM_KM3_S2 = {"earth": GM_EARTH_KM3_S2, "sun": GM_SUN_KM3_S2, "ssb": GM_SUN_KM3_S2}


@dataclass(frozen=True)
class SpacecraftVector:
    """Place and velocity of a spacecraft at one time, carried along a straight line for a short while.

    Attributes
    ----------
    name : str
    time : Time
    position_au, velocity_au_d : (3,) arrays, ICRF axes, relative to ``origin``
    origin : {'earth', 'sun', 'ssb'}
    code : str or None
    span_s : float or None
        How far from ``time`` the line may be used. By default as long as the attraction of the origin bends
        the path by less than 1 km.

    Examples
    --------
    >>> time = Time("2024-01-01")
    >>> craft = SpacecraftVector("L2 telescope", time, (0.01, 0.0, 0.0), (0.0, 0.0, 0.0), "earth")
    >>> craft.posvel_au(time)[0]
    array([[0.01, 0.  , 0.  ]])
    """

    name: str
    time: Time
    position_au: tuple
    velocity_au_d: tuple
    origin: str = "earth"
    code: str | None = None
    span_s: float | None = None

    def __post_init__(self):
        for label in ("position_au", "velocity_au_d"):
            value = np.array(getattr(self, label), dtype=float)
            if value.shape != (3,) or not np.all(np.isfinite(value)):
                raise SiteError(f"spacecraft {self.name!r}: {label} = {value} is not three numbers")
            value.flags.writeable = False
            object.__setattr__(self, label, value)
        if self.origin not in _GM_KM3_S2:
            raise SiteError(f"spacecraft {self.name!r}: origin {self.origin!r}; allowed: earth, sun, ssb")
        if self.span_s is None:
            r_km = max(float(np.linalg.norm(self.position_au)) * AU_KM, 1.0)
            span = np.sqrt(2.0 * MAX_CURVATURE_KM * r_km**2 / _GM_KM3_S2[self.origin])
            object.__setattr__(self, "span_s", float(span))

    def posvel_au(self, times):
        """Place and velocity relative to the origin, ICRF axes.

        Parameters
        ----------
        times : Time, scalar or shape (n,)

        Returns
        -------
        position_au, velocity_au_d : (n, 3) arrays

        Raises
        ------
        EphemerisSpanError
            A time is farther from the vector's own than ``span_s``.
        """
        dt = np.atleast_1d(tdb_days(times)) - float(tdb_days(self.time))
        worst = float(np.max(np.abs(dt))) * DAY_S if dt.size else 0.0
        if worst > self.span_s:
            raise EphemerisSpanError(
                f"spacecraft {self.name!r}: a time lies {worst:.0f} s from its vector, a straight line is"
                f" good for {self.span_s:.0f} s; give the vector at the time of the frame, or a longer span_s"
            )
        velocity = np.broadcast_to(self.velocity_au_d, (dt.size, 3)).copy()
        return self.position_au + dt[:, None] * velocity, velocity
