"""``appulse residuals --observations``: O-C of a file of measured places, without frames."""

import argparse
from dataclasses import replace
from pathlib import Path

from appulse.cli import common
from appulse.cli.batch import closing_count
from appulse.errors import AppulseError, DesignationError, InputError

KINDS = {"evidence": "evidence.html", "pdf": "evidence.pdf"}
ONE_NIGHT_D = 1.0
"""Only observations of one station within a day are judged like the frames of a night."""
OTHER_KIND = "not read"
"""How the readers end their word on radar and its like: left out, which is no failure."""
CHUNK = 100


def run_observations(args: argparse.Namespace, extras: set[str], every: bool) -> int:
    """Residuals of the observations of a file.

    Parameters
    ----------
    args : Namespace
        Of ``appulse residuals``.
    extras : set of str
        What ``--also`` asks for.
    every : bool
        Whether it asked for all.

    Returns
    -------
    int
        1 if some observations could not be judged.

    Raises
    ------
    InputError
        If file, orbits or options cannot be used.
    OutputExistsError
        If an output exists and ``--overwrite`` was not given.
    """
    from appulse.cli.judgement import judgement, write_judgement
    from appulse.cli.residual_lines import print_observations
    from appulse.formats.observation_table import read_observations
    from appulse.formats.output import check_free, together
    from appulse.formats.residual_table import write_residuals

    kinds = extras & set(KINDS)
    if not every and extras - kinds:
        raise InputError(
            f"--also {sorted(extras - kinds)[0]} needs frames: of observations there is evidence, pdf"
        )
    outputs = {name: args.out / name for name in ("residuals.ecsv", "verdict.yaml")}
    check_free([*outputs.values(), *(args.out / KINDS[kind] for kind in kinds)], args.overwrite)
    observations = read_observations(args.observations)
    for line, reason in observations.meta["rejected"]:
        common.note(f"{args.observations.name}{'' if line is None else f', line {line}'}: {reason}")
    engine, source = _engine(args)
    residuals = compare(observations, engine, args.body)
    seen = [one for one in residuals if one.seen]
    verdict, table = _judge(seen, observations), _table(residuals, args, source)
    summary = statistics(residuals, observations)
    told = judgement(verdict, residuals, observations=args.observations.name, statistics=summary)
    if verdict is None and seen:
        told |= {"verdict": "not judged", "sentence": _several_nights()}
    with together():
        written = [
            write_residuals(table, outputs["residuals.ecsv"], args.overwrite),
            write_judgement(told, outputs["verdict.yaml"], args.overwrite),
            *_sheets(kinds, residuals, observations, verdict, table, args),
        ]
    print_observations(residuals, summary, told)
    for path in written:
        print(path)
    return _count(residuals, observations)


def _count(residuals, observations) -> int:
    """Say what could not be compared; the exit code."""
    failed = {Path(one.frame): one.flag.removeprefix("not judged: ") for one in residuals if not one.seen}
    lines = [(line, why) for line, why in observations.meta["rejected"] if not why.endswith(OTHER_KIND)]
    for line, why in lines:
        name, _, reason = why.partition(": ") if line is None else (f"line {line}", "", why)
        failed[Path(name)] = reason
    total = len(residuals) + len(lines)
    if failed:
        common.say(closing_count(total, failed, what="observations", done="compared"))
    return 0 if not failed else 1 if len(failed) < total else 2


def _engine(args):
    """Where the bodies should be, and the name of that source."""
    from appulse.bodies.ephemeris import NBodyEphemeris
    from appulse.bodies.tabulated import TabulatedEphemeris

    common.one_source(args.orbits, args.positions)
    if args.positions is not None:
        return TabulatedEphemeris.from_table(args.positions), args.positions.name
    name = "bundled starter set" if args.orbits is None else args.orbits.name
    return NBodyEphemeris(common.load_orbits(args.orbits)), name


def compare(observations, engine, body: str | None = None) -> list:
    """Residuals of all observations of the bodies that are asked for, in the file's order.

    Parameters
    ----------
    observations : Table
        From :func:`appulse.formats.observation_table.read_observations`.
    engine : NBodyEphemeris or TabulatedEphemeris
    body : str, optional
        Names with commas, or 'all' (the default): every body of the file.

    Returns
    -------
    list of Residual
        Those of bodies that the source does not know, and of times that it does not reach, are flagged.

    Raises
    ------
    InputError
        If the file has no observation of the bodies named.
    """
    import numpy as np

    names, found = _names(observations, engine, body), {}
    called = np.array([str(name) for name in observations["designation"]])
    groups = [
        (name, rows[i : i + CHUNK])
        for name in names
        for rows in [np.flatnonzero(called == name)]
        for i in range(0, len(rows), CHUNK)
    ]
    for name, rows in common.progress(groups, "comparing"):
        for row, one in zip(rows, _residuals(observations, rows, engine, name, names[name]), strict=True):
            one.frame = f"{observations.meta['file']}#{row + 1}"
            found[int(row)] = one
    return [found[row] for row in sorted(found)]


def _names(observations, engine, body) -> dict:
    """The file's names of the bodies wanted, each with the source's own; None where it has none."""
    listed = list(dict.fromkeys(str(name) for name in observations["designation"]))
    rows = {name: _row(engine, name) for name in listed}
    wanted = common.split_names(body)
    if wanted is None:
        return {name: name if rows[name] is not None else None for name in listed}
    asked = {int(engine.rows([name])[0]): name for name in wanted}
    chosen = {name: asked[row] for name, row in rows.items() if row in asked}
    if not chosen and len(listed) == 1 and len(wanted) == 1:
        common.note(f"all observations are of {listed[0]!r} and taken to be of {wanted[0]}, as --body says")
        chosen = {listed[0]: wanted[0]}
    if not chosen:
        raise DesignationError(
            f"{observations.meta['file']} has no observation of {', '.join(wanted)}; its bodies: "
            f"{', '.join(listed[:8])}{' ...' if len(listed) > 8 else ''}"
        )
    return chosen


def _row(engine, name):
    from appulse.bodies.designations import normalise

    for text in (name, normalise(name)) if name else ():
        try:
            return int(engine.rows([text])[0])
        except DesignationError:
            continue
    return None


def _residuals(observations, rows, engine, name, known) -> list:
    """Of one body; where some time cannot be reached, one by one."""
    from appulse.astrometry.observations import observation_residuals
    from appulse.bodies.designations import normalise

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

    from appulse.astrometry.prediction import Prediction
    from appulse.astrometry.residual import Residual

    nowhere = Prediction(designation, np.nan, np.nan)
    time = row["time"]
    return Residual("", time.utc.isot, designation, nowhere, flag=f"not judged: {reason}", mid=time)


def statistics(residuals, observations) -> list[dict]:
    """Number, mean, rms and chi-squared of each body's observations by station; the last is of all.

    Parameters
    ----------
    residuals : list of Residual
    observations : Table

    Returns
    -------
    list of dict
    """
    groups: dict = {}
    for one in residuals:
        if one.seen:
            station = str(observations["station"][int(one.frame.rpartition("#")[2]) - 1])
            groups.setdefault((one.designation, station), []).append(one)
    seen = [one for one in residuals if one.seen]
    lines = [_statistics(*key, mine) for key, mine in sorted(groups.items())]
    return [*lines, _statistics("all", "all", seen)] if seen else []


def _statistics(body, station, mine) -> dict:
    import numpy as np

    from appulse.astrometry.budget import THREE_SIGMA_CHI2

    off = np.array([[one.dra_cosdec, one.ddec] for one in mine])
    motion = np.array([[one.along, one.across] for one in mine])
    chi2 = np.array([o @ np.linalg.solve(one.covariance, o) for o, one in zip(off, mine, strict=True)])
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


def _judge(seen, observations):
    """Verdict of a night of one station; None for more, whose clocks and plates are not the same."""
    from appulse.astrometry.verdict import judge

    if not seen:
        return None
    days = [one.mid.jd for one in seen]
    rows = [int(one.frame.rpartition("#")[2]) - 1 for one in seen]
    stations = {str(observations["station"][row]) for row in rows}
    return judge(seen) if max(days) - min(days) <= ONE_NIGHT_D and len(stations) == 1 else None


def _several_nights() -> str:
    return (
        "Several nights or stations: no single clock or plate is behind them, so only the numbers are given; "
        "appulse improve fits the orbit to them."
    )


def _table(residuals, args, source):
    from appulse.astrometry.residual import residual_table
    from appulse.formats.provenance import file_sha256, provenance

    more = {"observations": {args.observations.name: file_sha256(args.observations)}}
    about = provenance(orbits={"file": source}, options={"body": args.body or "all"}, **more)
    return residual_table(residuals, about)


def _sheets(kinds, residuals, observations, verdict, table, args) -> list[Path]:
    """Evidence by station and day: a section for each observation would bury the plots."""
    from appulse.reports.evidence import write_evidence
    from appulse.reports.evidence_pdf import evidence_pdf

    grouped = []
    for one in residuals:
        row = int(one.frame.rpartition("#")[2]) - 1
        grouped.append(replace(one, frame=f"{observations['station'][row]}, {one.time[:10]}"))
    words = verdict if verdict is not None else _several_nights()
    shared = {
        "verdict": words,
        "overwrite": args.overwrite,
        "title": f"Observations in {args.observations.name}",
        "provenance": dict(table.meta),
        "notes": ["the error budget of each place stands in verdict.yaml"],
    }
    written = []
    if "evidence" in kinds:
        path = args.out / KINDS["evidence"]
        written.append(write_evidence(path, grouped, **shared))
    if "pdf" in kinds:
        written.append(evidence_pdf(args.out / KINDS["pdf"], grouped, **shared))
    return written
