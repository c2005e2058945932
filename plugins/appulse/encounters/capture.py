"""The capture plan: framing, exposure, how many, against which sky; each figure with its formula's source.

::

    best interval of the night        --> altitude, airmass, sky brightness, field rotation
    instrument                        --> scale, field, electrons from body, object and sky
    motion, seeing, tracking, mount   --> longest exposure --> number, cadence, S/N, dots or a line
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from appulse.encounters.framing import Framing, frame_field
from appulse.encounters.plan_figures import FigureMaker
from appulse.errors import InputError
from appulse.observers.timescales import quiet_erfa


@dataclass(frozen=True)
class CapturePlan:
    """A plan for one pass, site, night and instrument.

    Attributes
    ----------
    encounter : Pass
    night : Night
    instrument : InstrumentSettings
    figures : dict
        Key to :class:`~appulse.encounters.plan_figures.Figure`.
    framing : Framing
    begin, end : Time
        Of the best interval, UTC.
    exposure_s : float
    count : int
    warnings : tuple of str
    """

    encounter: object
    night: object
    instrument: object
    figures: dict
    framing: Framing
    begin: object
    end: object
    exposure_s: float
    count: int
    warnings: tuple = field(default=())


@quiet_erfa()
def plan_capture(one, night, instrument, vector_au, *, trail_arcsec=None, cadence_s=None, binning=1):
    """Plan the capture of a pass.

    Parameters
    ----------
    one : Pass
    night : Night
        It must have a usable interval.
    instrument : InstrumentSettings
    vector_au : callable
        Geocentric vector of the body at a Time, (n, 3) au.
    trail_arcsec : float, optional
        Longest trail that is accepted; default the seeing's full width.
    cadence_s : float, optional
        Time between the starts of two exposures; default as fast as the camera allows.
    binning : int
        Pixels per side added on the chip.

    Returns
    -------
    CapturePlan

    Raises
    ------
    InputError
        The night has no usable interval, or the cadence is shorter than the exposure.
    """
    interval = night.interval
    if interval is None:
        raise InputError(f"the night of {night.evening} at {night.site.name} does not serve: {night.reason}")
    begin, end = interval
    make = FigureMaker(one, night, instrument, vector_au, binning)
    exposure_s = make.exposure(trail_arcsec)
    step_s = exposure_s + instrument.overhead_s
    if cadence_s is not None:
        if not np.isfinite(cadence_s) or cadence_s > (end - begin).sec:
            minutes = (end - begin).sec / 60
            raise InputError(
                f"a cadence of {cadence_s:g} s does not fit into the interval of {minutes:.0f} minutes; give "
                "a shorter one"
            )
        if cadence_s < step_s:
            needed = f"exposure and readout, {step_s:.1f} s"
            raise InputError(f"a cadence of {cadence_s:g} s is shorter than {needed}; give a longer one")
        step_s = float(cadence_s)
    count = max(1, int((end - begin).sec // step_s))
    framing = frame_field(one, (begin, end), instrument, vector_au, night.site.place)
    make.motion(step_s, exposure_s)
    make.light(exposure_s, count)
    make.series(exposure_s, step_s, count, framing)
    return CapturePlan(
        one, night, instrument, make.figures, framing, begin, end, exposure_s, count, tuple(make.warnings)
    )
