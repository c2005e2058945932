"""Measured places without frames: observations held against an orbit, and places read back to correct one.

::

    file of observations --> residuals by body --> statistics by station --> verdict of one night
    residual table or observations --> residuals and observers --> improved orbit
"""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Any

from appulse.errors import AppulseError, DesignationError, InputError, TableError
from appulse.workflows.export import write_sheets
from appulse.workflows.judging import judgement, write_judgement
from appulse.workflows.progress import counted
from appulse.workflows.sources import BodySource, split_names

ONE_NIGHT_D = 1.0
"""Only observations of one station within a day are judged like the frames of a night."""
OTHER_KIND = "not read"
"""How the readers end their word on radar and its like: left out, which is no failure."""
CHUNK = 100
"""Observations of one body that are predicted together."""
SEVERAL_NIGHTS = (
    "Several nights or stations: no single clock or plate is behind them, so only the numbers are given; "
    "appulse improve fits the orbit to them."
)

LEAST_GAIN = 0.9
"""A fit that leaves more of every sigma than this gains nothing (common practice, no source)."""
ODD_CHANCE = 1e-4
"""A correction less likely than this by the old covariance is worth a word."""
NIGHT_D = 2.0
"""Places within so many days of one site are judged before an orbit is fitted to them."""


@dataclass(frozen=True)
class ComparedObservations:
    """Observations held against predicted places."""

    path: Path
    observations: Any  # Table: as read, with the lines that could not be in ``meta['rejected']``
    residuals: tuple  # in the file's order; ``frame`` is the file's name with the number of the observation
    notes: tuple[str, ...] = ()

    @property
    def seen(self) -> list:
        """Those that could be compared."""
        return [residual for residual in self.residuals if residual.seen]

    def station(self, residual) -> str:
        """The station's code of a residual's observation."""
        return str(self.observations["station"][observation_index(residual)])

    @cached_property
    def statistics(self) -> list[dict]:
        """Number, mean, rms and chi-squared of each body's observations by station; the last is of all."""
        groups: dict = {}
        for residual in self.seen:
            groups.setdefault((residual.designation, self.station(residual)), []).append(residual)
        lines = [_statistics(*key, mine) for key, mine in sorted(groups.items())]
        return [*lines, _statistics("all", "all", self.seen)] if self.seen else []

    @cached_property
    def verdict(self):
        """Verdict of a night of one station; None for more, whose clocks and plates are not the same."""
        from appulse.astrometry import judge

        if not self.seen:
            return None
        days = [residual.mid.jd for residual in self.seen]
        stations = {self.station(residual) for residual in self.seen}
        return judge(self.seen) if max(days) - min(days) <= ONE_NIGHT_D and len(stations) == 1 else None

    @property
    def failed(self) -> dict[Path, str]:
        """What could not be compared, and why; radar and its like is no failure."""
        reasons = {
            Path(residual.frame): residual.flag.removeprefix("not judged: ")
            for residual in self.residuals
            if not residual.seen
        }
        for line, why in self._unread:
            name, _, reason = why.partition(": ") if line is None else (f"line {line}", "", why)
            reasons[Path(name)] = reason
        return reasons

    @property
    def total(self) -> int:
        """Observations that were to be compared."""
        return len(self.residuals) + len(self._unread)

    @property
    def _unread(self) -> list:
        rejected = self.observations.meta["rejected"]
        return [(line, why) for line, why in rejected if not why.endswith(OTHER_KIND)]

    def judgement(self) -> dict:
        """What was judged, as :func:`appulse.workflows.judgement` gives it."""
        judged = judgement(
            self.verdict, self.residuals, observations=self.observations.meta["file"],
            statistics=self.statistics,
        )  # fmt: skip
        if self.verdict is None and self.seen:
            judged |= {"verdict": "not judged", "sentence": SEVERAL_NIGHTS}
        return judged


def observation_index(residual) -> int:
    """Row of a residual's observation in the table that it came from."""
    return int(residual.frame.rpartition("#")[2]) - 1


def compare_observations(path, bodies: BodySource, *, progress=None, cancelled=None) -> ComparedObservations:
    """Hold a file of observations against predicted places.

    Parameters
    ----------
    path : path
        ADES (PSV, XML) or 80-column lines, told by the content.
    bodies : BodySource
        Where the bodies should be; its `names` choose among the file's bodies.
    progress, cancelled : callable, optional

    Returns
    -------
    ComparedObservations

    Raises
    ------
    InputError
        If the file cannot be used, or has no observation of the bodies named.
    """
    from appulse.formats import read_observations

    path = Path(path)
    observations = read_observations(path)
    notes = tuple(
        f"{path.name}{'' if line is None else f', line {line}'}: {reason}"
        for line, reason in observations.meta["rejected"]
    )
    residuals, more = compare(observations, bodies.ephemeris, bodies.names, progress, cancelled)
    return ComparedObservations(path, observations, tuple(residuals), notes + more)


def compare(
    observations, ephemeris, body=None, progress=None, cancelled=None
) -> tuple[list, tuple[str, ...]]:
    """Residuals of all observations of the bodies asked for, in the file's order; and notes.

    Those of bodies that the source does not know, and of times that it does not reach, are flagged.
    """
    import numpy as np

    chosen, notes = _chosen_names(observations, ephemeris, split_names(body))
    designations, found = np.array([str(name) for name in observations["designation"]]), {}
    groups = [
        (name, rows[i : i + CHUNK])
        for name in chosen
        for rows in [np.flatnonzero(designations == name)]
        for i in range(0, len(rows), CHUNK)
    ]
    for name, rows in counted(groups, "comparing", progress, cancelled):
        residuals = _residuals(observations, rows, ephemeris, name, chosen[name])
        for row, residual in zip(rows, residuals, strict=True):
            found[int(row)] = replace(residual, frame=f"{observations.meta['file']}#{row + 1}")
    return [found[row] for row in sorted(found)], notes


def _chosen_names(observations, engine, wanted) -> tuple[dict, tuple[str, ...]]:
    """The file's names of the bodies wanted, each with the source's own; None where it has none."""
    listed = list(dict.fromkeys(str(name) for name in observations["designation"]))
    rows = {name: _row(engine, name) for name in listed}
    if wanted is None:
        return {name: name if rows[name] is not None else None for name in listed}, ()
    asked = {int(engine.rows([name])[0]): name for name in wanted}
    chosen, notes = {name: asked[row] for name, row in rows.items() if row in asked}, ()
    if not chosen and len(listed) == 1 and len(wanted) == 1:
        notes = (f"all observations are of {listed[0]!r} and taken to be of {wanted[0]}, as --body says",)
        chosen = {listed[0]: wanted[0]}
    if not chosen:
        raise DesignationError(
            f"{observations.meta['file']} has no observation of {', '.join(wanted)}; its bodies: "
            f"{', '.join(listed[:8])}{' ...' if len(listed) > 8 else ''}"
        )
    return chosen, notes


def _row(engine, name):
    from appulse.bodies import normalise

    for text in (name, normalise(name)) if name else ():
        try:
            return int(engine.rows([text])[0])
        except DesignationError:
            continue
    return None


def _residuals(observations, rows, engine, name, known) -> list:
    """Of one body; where some time cannot be reached, one by one."""
    from appulse.astrometry import observation_residuals
    from appulse.bodies import normalise

    some = observations[rows]
    if known is None:
        return [_flagged(row, name, "no orbit of this body is at hand") for row in some]
    for text in (known, normalise(known)):
        try:
            return observation_residuals(some, engine, body=text)
        except DesignationError:
            continue
        except AppulseError as error:
            if len(rows) == 1:
                return [_flagged(some[0], name, str(error))]
            break
    return [_residuals(observations, rows[i : i + 1], engine, name, known)[0] for i in range(len(rows))]


def _flagged(row, designation, reason):
    import numpy as np

    from appulse.astrometry import Prediction, Residual

    nowhere = Prediction(designation, np.nan, np.nan)
    time = row["time"]
    return Residual("", time.utc.isot, designation, nowhere, flag=f"not judged: {reason}", mid=time)


def _statistics(body, station, mine) -> dict:
    import numpy as np

    from appulse.astrometry import THREE_SIGMA_CHI2

    off = np.array([[residual.dra_cosdec, residual.ddec] for residual in mine])
    motion = np.array([[residual.along, residual.across] for residual in mine])
    pairs = zip(off, mine, strict=True)
    chi2 = np.array([o @ np.linalg.solve(residual.covariance, o) for o, residual in pairs])
    rms = [round(float(v), 4) for v in np.sqrt(np.mean(np.hstack([off, motion]) ** 2, axis=0))]
    mean = [round(float(v), 4) for v in off.mean(axis=0)]
    return {
        "body": body, "station": station, "n": len(mine), "mean_ra": mean[0], "mean_dec": mean[1],
        "rms_ra": rms[0], "rms_dec": rms[1],
        "rms_along": rms[2] if np.isfinite(rms[2]) else None,
        "rms_across": rms[3] if np.isfinite(rms[3]) else None,
        "chi2": round(float(chi2.sum()), 2), "degrees_of_freedom": 2 * len(mine),
        "beyond_three_sigma": int(np.sum(chi2 > THREE_SIGMA_CHI2)),
    }  # fmt: skip


def save_comparison(compared: ComparedObservations, bodies: BodySource, out: Path, kinds=frozenset(), *,
                    overwrite: bool = False) -> list[Path]:  # fmt: skip
    """Write table, judgement and the sheets of a comparison: all of them or none; returns the paths."""
    from appulse.astrometry import residual_table
    from appulse.formats import file_sha256, provenance, together, write_residuals

    path = compared.path
    names = "all" if bodies.names is None else ",".join(bodies.names)
    about = provenance(
        orbits={"file": bodies.label}, options={"body": names}, observations={path.name: file_sha256(path)}
    )
    table = residual_table(compared.residuals, about)
    shared = {
        "verdict": SEVERAL_NIGHTS if compared.verdict is None else compared.verdict, "overwrite": overwrite,
        "title": f"Observations in {path.name}", "provenance": dict(table.meta),
        "notes": ["the error budget of each place stands in verdict.yaml"],
    }  # fmt: skip
    with together():
        return [
            write_residuals(table, out / "residuals.ecsv", overwrite),
            write_judgement(compared.judgement(), out / "verdict.yaml", overwrite),
            *write_sheets(kinds, out, _by_station_and_day(compared), **shared),
        ]


def _by_station_and_day(compared: ComparedObservations) -> list:
    """The residuals grouped for a sheet: a section for each observation would bury the plots."""
    return [
        replace(residual, frame=f"{compared.station(residual)}, {residual.time[:10]}")
        for residual in compared.residuals
    ]


# --- measured places read back, and the orbit that they correct


@dataclass(frozen=True)
class MeasuredPlaces:
    """Measured places of one body, with where each was taken from."""

    residuals: tuple
    observers: tuple
    notes: tuple[str, ...] = ()


def read_places(path: Path, orbit, site=None) -> MeasuredPlaces:
    """Measured places of one body.

    Parameters
    ----------
    path : Path
        A residual table of ours (ECSV), ADES or 80-column lines, told by the content.
    orbit : Orbit
        Of the body that is wanted.
    site : Site, optional
        Where frames of a residual table were taken that name no station.

    Returns
    -------
    MeasuredPlaces

    Raises
    ------
    InputError
        If the file holds no measured place of this body, or a place of observation is not known.
    """
    from appulse.formats import read_residuals

    try:
        table = read_residuals(path) if path.suffix.lower() in (".ecsv", ".csv") else None
    except TableError:
        table = None
    if table is None:
        pairs, notes = _places_of_observations(path, orbit)
    else:
        pairs, notes = _places_of_table(table, path, orbit, site), ()
    if not pairs:
        raise InputError(
            f"{path} holds no measured place of {orbit.label}: give the file of its observations"
        )
    residuals, observers = zip(*pairs, strict=True)
    return MeasuredPlaces(residuals, observers, notes)


def _places_of_observations(path, orbit) -> tuple[list, tuple[str, ...]]:
    from appulse.astrometry import observer_of
    from appulse.bodies import NBodyEphemeris

    bare = replace(orbit, covariance=None, covariance_names=())
    source = BodySource(path.name, path, NBodyEphemeris([bare]), (orbit.designation,))
    compared = compare_observations(path, source)
    pairs = [
        (residual, observer_of(compared.observations[observation_index(residual)]))
        for residual in compared.seen
    ]
    return pairs, compared.notes


def _places_of_table(table, path, orbit, site) -> list:
    import numpy as np

    from appulse.bodies import OrbitCatalogue
    from appulse.observers import Site

    this = OrbitCatalogue.from_orbits([orbit])
    stations, sites, pairs = dict(table.meta.get("stations") or {}), {}, []
    if "observations" in table.meta:
        raise InputError(f"{path} was made of observations: give that file itself")
    for row in table:
        if np.ma.is_masked(row["ra_obs"]) or not len(this.rows_of(str(row["designation"]))):
            continue
        where, code = site, stations.get(str(row["frame"]))
        if where is None and code is not None:
            if code not in sites:
                sites[code] = Site.from_mpc_code(code)
            where = sites[code]
        if where is None:
            raise InputError(
                f"{path}: {row['frame']} names no station, for its place is private: give --site"
            )
        pairs.append((residual_of(row), where))
    return pairs


def residual_of(row):
    """A measured row of the residual table as the record that it was made of; the fit itself is not in it."""
    import numpy as np
    from astropy.time import Time

    from appulse.astrometry import Prediction, Residual
    from appulse.observers import quiet_erfa

    def number(name):
        return np.nan if name not in row.colnames or np.ma.is_masked(row[name]) else float(row[name])

    pa, rate = np.radians(number("motion_pa")), number("rate")
    prediction = Prediction(
        str(row["designation"]), number("ra_calc"), number("dec_calc"), rate * np.sin(pa), rate * np.cos(pa),
        number("mag_calc"),
    )  # fmt: skip
    with quiet_erfa():
        mid = Time(str(row["time"]).rstrip("Z"), scale="utc")
    sigmas = (number(name) for name in ("sigma_ra", "sigma_dec", "corr_ra_dec"))
    stars = 0 if np.ma.is_masked(row["n_stars"]) else int(row["n_stars"])
    return Residual(
        str(row["frame"]), str(row["time"]), str(row["designation"]), prediction, seen=True, x=number("x"),
        y=number("y"), ra_obs=number("ra_obs"), dec_obs=number("dec_obs"), dra_cosdec=number("dra_cosdec"),
        ddec=number("ddec"), covariance=_covariance(*sigmas),
        plate_offset=np.array([number("plate_dra"), number("plate_ddec")]),
        plate_covariance=_covariance(number("sigma_plate_ra"), number("sigma_plate_dec"), 0.0),
        n_stars=stars, snr=number("snr"), mag_obs=number("mag_obs"), sigma_mag=number("sigma_mag"),
        exposure_s=number("exposure"), clock_sigma_s=number("sigma_time"), mid=mid,
    )  # fmt: skip


def _covariance(east, north, rho):
    import numpy as np

    rho = rho if np.isfinite(rho) else 0.0
    return np.array([[east**2, rho * east * north], [rho * east * north, north**2]])


def with_clock(residual, offset_s: float):
    """The same place at the true time, the O-C moved with it; the offset is true minus recorded time."""
    from astropy.time import TimeDelta

    mid = residual.mid + TimeDelta(offset_s, format="sec")
    east = residual.dra_cosdec - residual.prediction.ra_rate * offset_s / 3600.0
    north = residual.ddec - residual.prediction.dec_rate * offset_s / 3600.0
    return replace(residual, mid=mid, time=mid.utc.isot, dra_cosdec=east, ddec=north)


@dataclass(frozen=True)
class ImprovedOrbit:
    """An orbit corrected by measured places."""

    before: Any  # Orbit
    # appulse.astrometry.orbit_fit.OrbitFit: with the corrected orbit, and in a sentence what was gained
    fit: Any
    table: Any  # Table: the corrected orbit with its covariance, as the other commands read it
    # when, and the predicted place's one-sigma ellipse (arcsec) before and after, in words
    ellipses: tuple = ()
    notes: tuple[str, ...] = ()


def improve_by_places(path: Path, bodies: BodySource, site=None, *, clock_offset_s: float = 0.0,
                      anyway: bool = False) -> ImprovedOrbit:  # fmt: skip
    """Correct an orbit by the measured places of a file, with its covariance as prior.

    Parameters
    ----------
    path : Path
        See :func:`read_places`.
    bodies : BodySource
        Orbits; of one body.
    site : Site, optional
        Where frames were taken that name no station.
    clock_offset_s : float
        True minus recorded time, seconds; taken off first.
    anyway : bool
        Fit although the verdict on the places is against the clock, or the body.

    Returns
    -------
    ImprovedOrbit

    Raises
    ------
    InputError
        If the places cannot carry the fit, gain nothing, or something else is wrong with them.
    """
    from appulse.astrometry import improve_orbit
    from appulse.bodies import OrbitCatalogue, orbit_table
    from appulse.formats import file_sha256, provenance

    name = bodies.only_body("one body is improved at a time; name it")
    orbit = bodies.catalogue.select(name)
    places = read_places(path, orbit, site)
    residuals, notes = list(places.residuals), places.notes
    if clock_offset_s:
        residuals = [with_clock(residual, clock_offset_s) for residual in residuals]
    if not anyway:
        notes += _refuse_other_causes(residuals, places.observers)
    fit = improve_orbit(orbit, residuals, list(places.observers))
    notes += _check_gain(fit)
    table = orbit_table(OrbitCatalogue.from_orbits([fit.orbit]))
    before = {
        "file": bodies.label,
        "epoch_jd_tdb": float(orbit.epoch_jd_tdb),
        "source": str(orbit.source),
    }
    options = {"clock_offset_s": clock_offset_s, "anyway": anyway}
    hashes = {path.name: file_sha256(path)}
    table.meta.update(provenance(orbits=before, options=options, improved=fit.sentence, places=hashes))
    ellipses = _ellipses(orbit, fit.orbit, residuals[-1].mid)
    return ImprovedOrbit(orbit, fit, table, ellipses, notes)


def _refuse_other_causes(residuals, observers: Iterable) -> tuple[str, ...]:
    """One night of one place: its verdict tells whether the orbit is to blame."""
    from appulse.astrometry import judge

    days = [residual.mid.jd for residual in residuals]
    if max(days) - min(days) > NIGHT_D or len({str(observer.name) for observer in observers}) > 1:
        return ()
    verdict = judge(residuals)
    if "clock" in verdict.causes and verdict.cause not in ("clock or orbit", "can't tell"):
        raise InputError(
            f"the verdict on these places: {verdict.sentence} An orbit fitted to them would carry that "
            f"error: give --clock-offset {verdict.clock_offset_s:.1f}, or --anyway"
        )
    if verdict.cause in ("not this body", "site", "impostor", "a frame's time"):
        raise InputError(f"the verdict on these places: {verdict.sentence} --anyway fits them nevertheless")
    if verdict.cause in ("clock or orbit", "can't tell"):
        return (f"the fit may put another error into the orbit: {verdict.sentence}",)
    return ()


def _check_gain(fit) -> tuple[str, ...]:
    """Refuse a fit that gains nothing; a note where it goes beyond what the old covariance allows."""
    import numpy as np
    from scipy import stats

    if np.isfinite(fit.gain).all() and float(np.min(fit.gain)) > LEAST_GAIN:
        raise InputError(f"{fit.sentence} Nothing is written: give more places, or better ones")
    if np.isfinite(fit.correction_sigmas) and stats.chi2.sf(fit.correction_sigmas**2, 6) < ODD_CHANCE:
        return (
            "the correction is far beyond what the old orbit's covariance allows: "
            "one of the two is likely wrong",
        )
    return ()


def _ellipses(before, after, time) -> tuple:
    from astropy.time import TimeDelta

    moments = (("at the last measured place", 0.0), ("30 days later", 30.0), ("a year later", 365.0))
    rows = []
    for words, days in moments:
        then = time + TimeDelta(days, format="jd")
        rows.append((words, _ellipse(before, then), _ellipse(after, then)))
    return tuple(rows)


def _ellipse(orbit, time) -> str:
    """Axes of the ellipse as seen from the Earth's centre."""
    from appulse.bodies import NBodyEphemeris
    from appulse.errors import AppulseError
    from appulse.observers import Site

    if orbit.covariance is None:
        return "not known"
    try:
        row = NBodyEphemeris([orbit]).at(time, Site.geocentre())[0]
    except AppulseError:
        return "out of reach"
    return f"{row['sigma_major'].value:.3f} x {row['sigma_minor'].value:.3f}"
