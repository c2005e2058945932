"""Orbits of single bodies from JPL's Small-Body Database, JPL Horizons and the MPC, through astroquery."""

import dataclasses
import functools
import json
import math

from appulse.bodies import (
    COMET_UNIT,
    STATE_NAMES,
    NonGrav,
    Orbit,
    OrbitCatalogue,
    orbit_from_json,
    read_name,
    to_float,
)
from appulse.errors import DesignationError, InputError, OrbitError, ServiceError
from appulse.services.client import from_text, request, to_text


def sbdb_orbit(body, *, policy=None):
    """The published orbit of a body from JPL's Small-Body Database, with its covariance.

    Parameters
    ----------
    body : str
        Number, designation or name.
    policy : RequestPolicy, optional
        Cache, time-outs, retries.

    Returns
    -------
    Orbit
        At the epoch of its covariance; ``source`` tells the solution and when it was fetched.

    Raises
    ------
    DesignationError
        The database knows no such body, or several.
    ServiceError
        No answer.
    """
    asked = read_name(body).designation or " ".join(str(body).split())
    query = {"body": asked}

    def call(line):
        from astroquery.jplsbdb import SBDBClass, conf

        with conf.set_temp("timeout", line.timeout_s):
            answer = line.guard(SBDBClass()).query_async(
                asked, covariance="mat", phys=True, alternate_id=True, full_precision=True, cache=False
            )
        return _json_text(answer)

    reply, orbit = request("JPL SBDB", query, call, lambda text: _sbdb_record(json.loads(text), body), policy)
    return _with_provenance(orbit, reply)


def _json_text(answer):
    """Text of an answer, refused where it is no JSON (an error page, say): such must not reach the cache."""
    content = answer.content
    text = content.decode("utf-8") if isinstance(content, bytes) else str(content)
    json.loads(text)
    return text


def _sbdb_record(record, body):
    if not isinstance(record, dict):
        raise ServiceError(f"JPL SBDB on {body!r}: a record was expected, got {str(record)[:60]!r}")
    if isinstance(record.get("list"), list):
        found = ", ".join(str(item.get("name") or item.get("pdes")) for item in record["list"][:5])
        raise DesignationError(
            f"{body!r} means several bodies at JPL SBDB: {found}; use a number or designation"
        )
    if "orbit" not in record:
        raise DesignationError(
            f"JPL SBDB knows no body {body!r}: {str(record.get('message', 'no orbit in its answer'))[:300]}"
        )
    try:
        return orbit_from_json(record)
    except (KeyError, TypeError, ValueError) as error:
        if isinstance(error, OrbitError):
            raise
        raise ServiceError(f"JPL SBDB: the record of {body!r} is not as documented ({error!r})") from error


def _with_provenance(orbit, reply):
    date = orbit.source_date or f"{reply.fetched:%Y-%m-%d}"
    return dataclasses.replace(orbit, source=f"{orbit.source}; {reply.provenance}", source_date=date)


def horizons_orbit(body, epoch_jd_tdb, *, policy=None):
    """A body's state at an epoch from JPL Horizons.

    Parameters
    ----------
    body : str
        Number, designation or name of a small body.
    epoch_jd_tdb : float, JD TDB

    Returns
    -------
    Orbit
        Heliocentric, ICRF axes, with H and G or M1 and K1 where Horizons prints them; no covariance.

    Raises
    ------
    DesignationError
        Horizons knows no such body, or several.
    ServiceError
        No answer.
    """
    name = read_name(body)
    # A designation says one body only; a name is sent as a name where nothing else is given.
    asked, epoch = name.designation or name.name, float(epoch_jd_tdb)

    def call(line):
        from astroquery.jplhorizons import HorizonsClass, conf

        with conf.set_temp("timeout", line.timeout_s):
            client = line.guard(
                HorizonsClass(id=horizons_id(name), id_type=horizons_type(name), location="@10", epochs=epoch)
            )
            client.TIMEOUT = line.timeout_s
            # FRAME axes of the ICRF; the other planes that astroquery offers are ecliptic or of the body.
            ask = functools.partial(client.vectors, refplane="earth", cache=False)
            return to_text(refused_by_name(ask, body, "JPL Horizons"))

    def read(text):
        return _vector_row(from_text(text)[0], name)

    reply, orbit = request("JPL Horizons", {"vectors": asked, "epoch": epoch}, call, read, policy)
    return _with_provenance(orbit, reply)


def _vector_row(row, name) -> Orbit:
    state = [float(row[key]) for key in STATE_NAMES]
    more = {
        field: _cell(row, column) for field, column in (("h", "H"), ("g", "G"), ("m1", "M1"), ("k1", "k1"))
    }
    return Orbit.from_state(
        name.designation or name.name, float(row["datetime_jd"]), state,
        name=name.name if name.designation else "",
        source=f"JPL Horizons, {row['targetname']}", **more,
    )  # fmt: skip


def horizons_id(name) -> str:
    """What Horizons is asked for: comets by designation with the closest apparition, others by their own."""
    # Horizons keeps a comet's every apparition and fragment: CAP takes the nearest in time, NOFRAG the body.
    if name.kind in ("comet", "numbered comet"):
        fragment = "-" in name.designation
        return f"DES={name.designation};CAP" + ("" if fragment else ";NOFRAG")
    return f"{name.designation};" if name.kind == "number" else f"{name.designation or name.name}"


def horizons_type(name) -> str | None:
    """astroquery's ``id_type`` that goes with :func:`horizons_id`; None where the id says all itself."""
    return {"provisional": "designation", "survey": "designation", "name": "smallbody"}.get(name.kind)


def refused_by_name(function, body: str, service: str):
    """Run a query; its 'unknown' and 'ambiguous' become a DesignationError."""
    try:
        return function()
    except ValueError as error:
        text = " ".join(str(error).split())
        if "Ambiguous" in text or "Unknown target" in text or "No matches" in text or "No ephemeris" in text:
            raise DesignationError(f"{service} on {body!r}: {text[:300]}") from error
        raise


def _cell(row, column: str):
    """A number of a table's row, or None where the column is absent, masked or empty."""
    if column not in row.colnames:
        return None
    value = to_float(str(row[column]))
    return value if math.isfinite(value) else None


def mpc_orbit(body, *, policy=None):
    """The orbit of a body from the Minor Planet Center's database.

    Parameters
    ----------
    body : str
        Number, designation or name.

    Returns
    -------
    Orbit
        Elements as the MPC publishes them; no covariance.

    Raises
    ------
    DesignationError
        The MPC has no such body, or several.
    ServiceError
        No answer.
    """
    name = read_name(body)
    comet = name.kind in ("comet", "numbered comet")
    if name.kind == "number":
        criteria = {"number": name.designation}
    elif name.designation:
        criteria = {"designation": name.designation}
    else:
        criteria = {"name": name.name}
    if name.kind == "numbered comet":
        criteria = {"number": name.designation[:-1], "object_type": name.designation[-1]}

    def call(line):
        from astroquery.mpc import MPCClass, conf

        with conf.set_temp("timeout", line.timeout_s):
            client = line.guard(MPCClass())
            client.TIMEOUT = line.timeout_s
            return _json_text(client.query_object_async("comet" if comet else "asteroid", **criteria))

    query = {"object": criteria, "comet": comet}
    reply, orbit = request("MPC", query, call, lambda text: mpc_record(json.loads(text), body), policy)
    return _with_provenance(orbit, reply)


def mpc_record(records, body: str) -> Orbit:
    """The orbit in the one record of the MPC's database; DesignationError for none or several."""
    if not isinstance(records, list) or not all(isinstance(record, dict) for record in records):
        raise ServiceError(f"MPC on {body!r}: a list of records was expected, got {str(records)[:60]!r}")
    if len(records) != 1:
        found = ", ".join(str(r.get("designation") or r.get("number")) for r in records[:5]) or "none"
        raise DesignationError(
            f"{body!r} means {len(records)} bodies at the MPC ({found}); use a number or designation"
        )
    r = records[0]
    angles = {
        "i": "inclination", "node": "ascending_node", "peri": "argument_of_perihelion", "e": "eccentricity",
    }  # fmt: skip
    values = {key: to_float(str(r.get(field))) for key, field in angles.items()}
    if r.get("perihelion_date_jd") and r.get("perihelion_distance"):
        size = {"q": to_float(r["perihelion_distance"]), "tp": to_float(r["perihelion_date_jd"])}
    else:
        size = {"a": to_float(str(r.get("semimajor_axis"))), "m": to_float(str(r.get("mean_anomaly")))}
    # Comets may be printed with two terms out of three; the missing one is zero in the fit.
    terms = {f"a{k}": to_float(str(r.get(f"non_grav_a{k}"))) * COMET_UNIT for k in (1, 2, 3)}
    forces = {key: value for key, value in terms.items() if math.isfinite(value)}
    number, designation = r.get("number"), r.get("designation") or ""
    comet = "perihelion_date_jd" in r and str(r.get("object_type") or "") in "PCDXAI"
    main = f"{number}{r.get('object_type') or ''}" if number and comet else str(number or designation)
    h, g = (to_float(str(r.get(key))) for key in ("absolute_magnitude", "phase_slope"))
    return Orbit.from_elements(
        main, to_float(str(r.get("epoch_jd"))), **values, **size, name=r.get("name") or "",
        h=h if math.isfinite(h) else None, g=g if math.isfinite(g) else None,
        nongrav=NonGrav(**forces) if any(forces.values()) else None,
        aliases=(designation,) if designation and designation != main else (),
        source=f"MPC {r.get('reference') or ''}".strip(), source_date=str(r.get("updated_at") or "")[:10],
    )  # fmt: skip


SOURCES = {"sbdb": sbdb_orbit, "mpc": mpc_orbit, "horizons": horizons_orbit}


def fetch_orbits(bodies, *, source="sbdb", epoch=None, policy=None, progress=None):
    """Orbits of several bodies; those that cannot be had are listed, not hidden.

    Parameters
    ----------
    bodies : list of str
    source : 'sbdb', 'mpc' or 'horizons'
    epoch : Time, optional
        Of the states that Horizons gives, and only of these: the others have orbits of their own epochs.
    policy : RequestPolicy, optional
    progress : callable, optional
        ``progress(words, done, total)`` after each.

    Returns
    -------
    OrbitCatalogue
        ``rejected`` lists (place in `bodies` from 1, reason).

    Raises
    ------
    ServiceError
        The service did not answer at all.
    DesignationError
        It has none of the bodies.
    InputError
        An unknown source; an epoch where none is asked for, or none where one is.
    """
    if source not in SOURCES:
        raise InputError(f"source {source!r}: orbits are fetched from {', '.join(SOURCES)}")
    if (epoch is None) == (source == "horizons"):
        needs = "needs an epoch, near which its states hold: give one near your night"
        own = "has orbits of its own epochs: leave the epoch out, or take 'horizons'"
        raise InputError(f"source {source!r} {needs if epoch is None else own}")
    asked = () if epoch is None else (epoch.tdb.jd,)
    found, rejected, bodies = [], [], list(bodies)
    for place, body in enumerate(bodies, 1):
        if progress is not None:
            progress("asking for orbits", place - 1, len(bodies))
        try:
            found.append(SOURCES[source](body, *asked, policy=policy))
        except OrbitError as error:
            rejected.append((place, str(error)))
    if not found:
        raise DesignationError(rejected[0][1] if rejected else "no body was named: give at least one")
    return OrbitCatalogue.from_orbits(found, rejected=rejected, source=source)
