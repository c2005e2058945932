"""Nights of several observers put together: how far the body is, and whose clock is off.

::

    NIGHT (ECSV, ADES, 80 columns) --+
    NIGHT                          --+--> sightings --> distance by parallax --> table, figures, sentences
    orbit, where there is one      --+         +------> O-C of each site ------> clocks told from the orbit
"""

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from appulse.errors import InputError
from appulse.workflows.comparing import residual_of

TOGETHER_FILES = (
    "distance.yaml", "sightings.ecsv", "parallax.png", "distance.html", "pair.png", "blink.gif",
)  # fmt: skip
# 1 sigma of a place whose observation states none, arcsec (common practice, no source).
SIGMA_UNSTATED_ARCSEC = 0.5


@dataclass(frozen=True)
class NightOfSite:
    """Places of one body from one file.

    Attributes
    ----------
    path : Path
    sightings : tuple of Sighting
    zero_arcsec : dict of str to float
        Error of each site's plate, where the file tells it.
    residuals : tuple of Residual
        The same places with their O-C; empty where the file holds none.
    notes : tuple of str
    rounded_km : float
        How roughly the observer's place is known, of a night that others gave.
    """

    path: Path
    sightings: tuple
    zero_arcsec: dict = field(default_factory=dict)
    residuals: tuple = ()
    notes: tuple[str, ...] = ()
    rounded_km: float = 0.0


@dataclass(frozen=True)
class TogetherFit:
    """What several nights tell together.

    Attributes
    ----------
    fit : ParallaxFit
    nights : tuple of NightOfSite
    predicted_au : float
        Geocentric distance by the orbit at the same moment; NaN without one.
    clocks : tuple of (site, offset s, sigma s)
        Each site's clock against the mean of the others, by the O-C along the motion.
    verdict : SitesVerdict or None
        Which site, or the orbit, makes the O-C; None without O-C of two sites.
    sentences : tuple of str
    notes : tuple of str
    """

    fit: Any
    nights: tuple
    predicted_au: float
    clocks: tuple
    verdict: Any
    sentences: tuple[str, ...]
    notes: tuple[str, ...]

    @property
    def sightings(self) -> list:
        """Of all nights, in the order of the fit's residuals."""
        return [sighting for night in self.nights for sighting in night.sightings]

    @property
    def figures(self) -> dict:
        """Everything as plain numbers and words, for YAML; no coordinates of a site are among them."""
        fit = self.fit
        near, far = fit.range_au(2.0)
        plain = {
            "epoch_utc": fit.epoch.utc.isot,
            "sentences": list(self.sentences),
            "distance_au": _plain(fit.distance_au),
            "inverse_distance_per_au": _plain(fit.inverse_au),
            "sigma_inverse_distance_per_au": _plain(fit.sigma_inverse_au),
            "nearest_au_95": _plain(near),
            "farthest_au_95": _plain(far),
            "predicted_au": _plain(self.predicted_au),
            "baseline_across_km": round(float(fit.baseline_km), 1),
            "parallax_arcsec": _plain(fit.parallax_arcsec),
            "sigma_parallax_arcsec": _plain(fit.sigma_parallax_arcsec),
            "error_budget_per_au": {part: _plain(value) for part, value in fit.budget.items()},
            "other_distances_au": [_plain(1.0 / inverse) for inverse in fit.rivals],
            "chi2": _plain(fit.chi2),
            "degrees_of_freedom": int(fit.dof),
            "clocks": [
                {"site": name, "late_by_s": _plain(offset), "sigma_s": _plain(sigma)}
                for name, offset, sigma in self.clocks
            ],
            "verdict": _verdict_figures(self.verdict),
            "notes": list(self.notes),
        }
        return plain


def _verdict_figures(verdict) -> dict | None:
    """The joint verdict as plain words and numbers."""
    if verdict is None:
        return None
    return {
        "verdict": verdict.cause, "sentence": verdict.sentence,
        "odds": _plain(min(verdict.odds, 1e6), 3), "causes": [
            {"cause": cause, "site": site or None} for cause, site in verdict.causes
        ],
        "hypotheses": [{"of": words, "chance": _plain(chance, 3)} for words, chance in verdict.ranked],
    }  # fmt: skip


def _plain(value, digits: int = 6):
    """A float of so many significant digits; None where it is not finite."""
    import math

    value = float(value)
    return float(f"{value:.{digits}g}") if math.isfinite(value) else None


def read_night(path: Path, body: str, site=None, label: str = "") -> NightOfSite:
    """Places of one body in a file of measured places.

    Parameters
    ----------
    path : Path
        Residual table (ECSV), ADES (PSV, XML) or 80 columns, told by the content.
    body : str
        Number, name or designation as the file has it.
    site : Site, optional
        Where a table was measured that names no station.
    label : str
        What to call that site.

    Returns
    -------
    NightOfSite

    Raises
    ------
    InputError
        If the file holds no place of the body, or its observer's place is not known.
    """
    from appulse.errors import TableError
    from appulse.formats import is_shared, read_residuals, read_table

    if path.suffix.lower() == ".ecsv":
        plain = read_table(path)
        if is_shared(plain):
            return _of_shared(plain, path, body, label)
    try:
        table = read_residuals(path) if path.suffix.lower() in (".ecsv", ".csv") else None
    except TableError:
        table = None
    night = _of_table(table, path, body, site, label) if table is not None else _of_observations(path, body)
    if not night.sightings:
        raise InputError(f"{path} holds no measured place of {body}: give the file of its observations")
    return night


def read_nights(paths, body: str, sites=()) -> list[NightOfSite]:
    """Places of one body in several files.

    Parameters
    ----------
    paths : sequence of Path
    body : str
    sites : sequence of str
        Names, codes or LON,LAT,HEIGHT for the tables that name no station, in their order.

    Returns
    -------
    list of NightOfSite

    Raises
    ------
    InputError
        If a file cannot be used, or a site is left over.
    """
    from appulse.formats import site_of

    left, nights = list(sites), []
    for number, path in enumerate(paths, 1):
        try:
            nights.append(read_night(path, body, label=f"observer {number}" if len(paths) > 1 else ""))
        except InputError as error:
            if "names no station" not in str(error) or not left:
                raise
            words = left.pop(0)
            label = words if "," not in words else f"site {number}"
            nights.append(read_night(path, body, site_of(words), label))
    if left:
        raise InputError(f"--site {left[0]}: every file tells its own station; leave the option out")
    return nights


def _same_body(found: str, wanted: str) -> bool:
    """Whether two designations mean one body, as '7', '(7)' and '(7) Iris' do."""
    parts = [set(word.replace("(", " ").replace(")", " ").lower().split()) for word in (found, wanted)]
    return parts[0] == parts[1] or bool(parts[0] & parts[1] and min(map(len, parts)) == 1)


def _of_table(table, path, body, site, label) -> NightOfSite:
    import numpy as np

    from appulse.astrometry import Sighting
    from appulse.observers import Site

    stations, sites = dict(table.meta.get("stations") or {}), {}
    sightings, residuals, zero = [], [], {}
    for row in table:
        if np.ma.is_masked(row["ra_obs"]) or not _same_body(str(row["designation"]), body):
            continue
        code = stations.get(str(row["frame"]))
        if site is None and code is not None and code not in sites:
            sites[code] = Site.from_mpc_code(code)
        where = site if site is not None else sites.get(code)
        if where is None:
            raise InputError(
                f"{path}: {row['frame']} names no station, for its place is private: give --site, "
                "once for each such file, in their order"
            )
        name = label if site is not None else str(code)
        residual = residual_of(row)
        off = np.where(np.isfinite(residual.plate_offset), residual.plate_offset, 0.0) / 3600.0
        ra = residual.ra_obs - off[0] / np.cos(np.radians(residual.dec_obs))
        sightings.append(
            Sighting(
                name, residual.mid, float(ra), float(residual.dec_obs - off[1]), residual.covariance, where
            )
        )
        residuals.append(residual)
        plate = np.sqrt(np.nanmax(np.diag(residual.plate_covariance), initial=0.0))
        if np.isfinite(plate) and plate > 0:
            zero[name] = max(zero.get(name, 0.0), float(plate))
    return NightOfSite(path, tuple(sightings), zero, tuple(residuals))


def _of_shared(table, path, body, label) -> NightOfSite:
    """A night that another observer exported for others."""
    import numpy as np

    from appulse.astrometry import Sighting
    from appulse.constants import DAY_S
    from appulse.formats import read_shared, rounding_km
    from appulse.observers import SpacecraftVector

    if not _same_body(str(table.meta.get("body", "")), body):
        raise InputError(f"{path} holds places of {table.meta.get('body')!r}, and none of {body}")
    places, notes = read_shared(table, path)
    turn = np.array([0.0, 0.0, 7.292115e-5 * DAY_S])  # rad/d (IERS Conventions 2010)
    name, sightings, zero, unstated = label or path.stem, [], {}, 0
    for place in places:
        observer = SpacecraftVector(
            name, place.time, tuple(place.observer_au), tuple(np.cross(turn, place.observer_au))
        )
        covariance = place.covariance
        if not (np.isfinite(covariance).all() and np.all(np.diag(covariance) > 0)):
            covariance, unstated = SIGMA_UNSTATED_ARCSEC**2 * np.eye(2), unstated + 1
        sightings.append(Sighting(name, place.time, place.ra_deg, place.dec_deg, covariance, observer))
        if np.isfinite(place.plate_arcsec):
            zero[name] = max(zero.get(name, 0.0), float(place.plate_arcsec))
    if unstated:
        notes.append(
            f"{path.name}: {unstated} places state no sigma, taken as {SIGMA_UNSTATED_ARCSEC} arcsec"
        )
    rounded = rounding_km(table)
    if rounded:
        notes.append(
            f"{path.name}: the observer's place is rounded to {rounded:g} km, which is counted as an error"
        )
    return NightOfSite(path, tuple(sightings), zero, (), tuple(notes), rounded)


def night_for_others(night: NightOfSite, body: str, *, rounded_km: float = 10.0, exact: bool = False):
    """A night's places as a table to give away.

    Parameters
    ----------
    night : NightOfSite
        Of one site.
    body : str
    rounded_km : float
        The observer's place is rounded to a lattice of so many km, 1 to 1000.
    exact : bool
        The observer allows the exact place.

    Returns
    -------
    QTable

    Raises
    ------
    InputError
        If the rounding is out of range, or the observer is no site on the ground.
    """
    import numpy as np
    from astropy.time import Time

    from appulse.formats import SharedPlace, rounded_vectors, shared_table
    from appulse.observers import Site

    if not 1.0 <= rounded_km <= 1000.0:
        raise InputError(f"--observer-km {rounded_km:g}: 1 to 1000 km are allowed; --disclose-site gives all")
    places = []
    for k, sighting in enumerate(night.sightings):
        if not isinstance(sighting.observer, Site):
            raise InputError(f"{night.path}: only nights of a site on the ground are exported for others")
        times = Time([sighting.time])
        km = 0.001 if exact else rounded_km
        vector = rounded_vectors(sighting.observer, times, km)[0]
        clock = night.residuals[k].clock_sigma_s if k < len(night.residuals) else np.nan
        plate = night.zero_arcsec.get(sighting.site, np.nan)
        places.append(
            SharedPlace(
                sighting.time, sighting.ra_deg, sighting.dec_deg, np.asarray(sighting.covariance), vector,
                plate, clock,
            )
        )  # fmt: skip
    return shared_table(places, body=body, rounded_km=0.0 if exact else rounded_km)


def _of_observations(path, body) -> NightOfSite:
    import numpy as np

    from appulse.astrometry import Sighting, observer_of
    from appulse.formats import read_observations

    sightings, notes, unstated = [], [], 0
    for row in read_observations(path):
        if not _same_body(str(row["designation"]), body):
            continue
        observer = observer_of(row)
        if isinstance(observer, str):
            notes.append(f"{path.name}: {observer}")
            continue
        *stated, rho = (
            np.nan if np.ma.is_masked(row[name]) else float(row[name])
            for name in ("sigma_ra", "sigma_dec", "corr_ra_dec")
        )
        sigmas = np.where(np.isfinite(stated), stated, SIGMA_UNSTATED_ARCSEC)
        unstated += int(not np.all(np.isfinite(stated)))
        covariance = np.outer(sigmas, sigmas) * np.where(np.eye(2, dtype=bool), 1.0, np.nan_to_num(rho))
        place = float(row["ra"]), float(row["dec"])
        sightings.append(Sighting(str(row["station"]), row["time"], *place, covariance, observer))
    if unstated:
        notes.append(
            f"{path.name}: {unstated} places state no sigma, taken as {SIGMA_UNSTATED_ARCSEC} arcsec"
        )
    return NightOfSite(path, tuple(sightings), {}, (), tuple(dict.fromkeys(notes)))


def put_together(nights, *, zero_arcsec=None, clock_s=None, bodies=None, progress=None) -> TogetherFit:
    """Distance of a body, and each site's clock, from the nights of several observers.

    Parameters
    ----------
    nights : sequence of NightOfSite
    zero_arcsec, clock_s : float, optional
        1-sigma of the plates and the clocks where the files do not tell.
    bodies : BodySource, optional
        With the body's orbit: the predicted distance is given beside.
    progress : callable, optional
        ``progress(words, done, total)``.

    Returns
    -------
    TogetherFit

    Raises
    ------
    InputError
        If all files together have fewer than three places.
    MeasurementError
        If the arc cannot be fitted.
    """
    import math

    from appulse.astrometry import distance_by_parallax
    from appulse.constants import ARCSEC_PER_RAD, AU_KM

    sightings = [sighting for night in nights for sighting in night.sightings]
    if len(sightings) < 3:
        raise InputError(f"{len(sightings)} measured places in all: a distance needs three or more")
    names = {sighting.site for sighting in sightings}
    zero = dict.fromkeys(names, zero_arcsec) if zero_arcsec is not None else {}
    for night in nights:
        zero |= night.zero_arcsec
    clocks = dict.fromkeys(names, clock_s) if clock_s is not None else None
    if progress:
        progress("fitting the short arc", 0, 1)
    fit = distance_by_parallax(sightings, zero_arcsec=zero, clock_s=clocks)
    rough = {night.sightings[0].site: night.rounded_km for night in nights if night.rounded_km}
    if rough and fit.inverse_au > 0:
        # Half a step of the lattice, uniform, across the line of sight: an error like that of a plate.
        near = max(fit.inverse_au, fit.sigma_inverse_au)
        for name, km in rough.items():
            zero[name] = math.hypot(zero.get(name, 0.05), km / math.sqrt(12) / AU_KM * near * ARCSEC_PER_RAD)
        fit = distance_by_parallax(sightings, zero_arcsec=zero, clock_s=clocks)
    if progress:
        progress("fitting the short arc", 1, 1)
    predicted = _predicted_au(bodies, fit.epoch) if bodies is not None else float("nan")
    offsets = _clock_offsets([residual for night in nights for residual in night.residuals], nights)
    verdict = _judged(nights, zero, clocks or {}, bodies, predicted)
    notes = tuple(note for night in nights for note in night.notes)
    sentences = _sentences(fit, predicted, verdict)
    return TogetherFit(fit, tuple(nights), predicted, offsets, verdict, sentences, notes)


def sightings_table(found: TogetherFit):
    """A row for each place: site, time, sigmas, what the fit leaves over. No observer's place is in it."""
    import numpy as np
    from astropy import units as u
    from astropy.table import QTable

    from appulse.formats import known_column

    sightings = found.sightings
    sigmas = np.array([np.sqrt(np.diag(sighting.covariance)) for sighting in sightings])
    table = QTable()
    table["site"] = [sighting.site for sighting in sightings]
    table["time"] = [sighting.time.utc.isot for sighting in sightings]
    table["ra"] = np.round([sighting.ra_deg for sighting in sightings], 8) * u.deg
    table["dec"] = np.round([sighting.dec_deg for sighting in sightings], 8) * u.deg
    # What the measured places themselves give: nothing in it is computed from where a site stands.
    middle = _middles(sightings)
    for name, values in (("ra_middle", middle[:, 0]), ("dec_middle", middle[:, 1])):
        table[name] = known_column(np.round(values, 8), u.deg)
    for name, values in (("sigma_ra", sigmas[:, 0]), ("sigma_dec", sigmas[:, 1])):
        table[name] = np.round(values, 4) * u.arcsec
    for name, values in (("left_east", found.fit.residuals[:, 0]), ("left_north", found.fit.residuals[:, 1])):
        table[name] = np.round(values, 4) * u.arcsec
    table.meta["sentences"] = list(found.sentences)
    return table


def _middles(sightings):
    """Middle (n, 2), degrees, of all sites' places at each's moment; NaN where they do not overlap in time.

    Each site's places follow a line, or a parabola where there are five or more.
    """
    import numpy as np

    from appulse.numerics import SkyPlane

    sky = np.array([[sighting.ra_deg, sighting.dec_deg] for sighting in sightings])
    plane = SkyPlane(*sky[0])
    flat = plane.from_sky(sky)
    hours = np.array([(sighting.time - sightings[0].time).to_value("h") for sighting in sightings])
    names = np.array([sighting.site for sighting in sightings])
    curves, inside = [], np.ones(len(hours), bool)
    for name in dict.fromkeys(names):
        mine = names == name
        order = min(2 if mine.sum() >= 5 else 1, len(np.unique(hours[mine])) - 1)
        middle = hours[mine].mean()
        fitted = np.polynomial.polynomial.polyfit(hours[mine] - middle, flat[mine], order)
        curves.append(np.polynomial.polynomial.polyval(hours - middle, fitted).T)
        reach = max(0.5 * np.ptp(hours[mine]), 0.1)
        inside &= (hours > hours[mine].min() - reach) & (hours < hours[mine].max() + reach)
    found = plane.to_sky(np.mean(curves, axis=0))
    return np.where(inside[:, None] & (len(curves) > 1), found, np.nan)


def save_together(found: TogetherFit, folder: Path, overwrite: bool = False, pair=None) -> list[Path]:
    """Write the tables, pictures and page of a distance, all or none; the paths.

    With two registered frames (`pair`) they are shown blinked and side by side too.
    """
    import yaml

    from appulse.formats import check_free, together, write_bytes, write_table, write_text
    from appulse.reports import blink_gif, distance_page, pair_picture, parallax_picture

    names = TOGETHER_FILES if pair is not None else TOGETHER_FILES[:4]
    paths = [folder / name for name in names]
    check_free(paths, overwrite)
    words = yaml.safe_dump(
        found.figures, sort_keys=False, allow_unicode=True, width=110, default_flow_style=None
    )
    with together():
        write_text(paths[0], words, overwrite)
        write_table(sightings_table(found), paths[1], overwrite)
        write_bytes(paths[2], parallax_picture(found), overwrite)
        write_text(paths[3], distance_page(found, pair), overwrite)
        if pair is not None:
            write_bytes(paths[4], pair_picture(pair), overwrite)
            write_bytes(paths[5], blink_gif(pair), overwrite)
    return paths


def _predicted_au(bodies, epoch) -> float:
    from appulse.observers import Site

    rows = bodies.ephemeris.at(epoch.reshape(1), Site.geocentre())
    return float(rows["delta"][0].to_value("au"))


def _judged(nights, zero, clock_s, bodies, distance_au):
    """Verdict over the sites' O-C: by the orbit, where one is given, else by what the tables hold."""
    import numpy as np

    from appulse.astrometry import judge_sites, site_offset
    from appulse.constants import ARCSEC_PER_RAD
    from appulse.numerics import axes_from_radec, offsets_rad, unit_from_radec

    rows, covariances = [], []
    for night in nights:
        for k, sighting in enumerate(night.sightings):
            axes = np.array(axes_from_radec(sighting.ra_deg, sighting.dec_deg))
            if bodies is not None:
                seen = bodies.ephemeris.at(sighting.time.reshape(1), sighting.observer)
                place = unit_from_radec(float(seen["ra"][0].value), float(seen["dec"][0].value))
                left = ARCSEC_PER_RAD * np.array(
                    offsets_rad(place, unit_from_radec(sighting.ra_deg, sighting.dec_deg))
                )
                speed = np.array([seen["ra_rate"][0].value, seen["dec_rate"][0].value]) / 3600.0
                major, minor, pa = (seen[name][0] for name in ("sigma_major", "sigma_minor", "sigma_pa"))
                if not np.ma.is_masked(major):
                    angle = np.radians(float(pa.value))
                    turn = np.array([[np.sin(angle), np.cos(angle)], [np.cos(angle), -np.sin(angle)]])
                    spread = np.diag([float(major.value) ** 2, float(minor.value) ** 2])
                    covariances.append(turn.T @ spread @ turn)
            elif k < len(night.residuals):
                residual = night.residuals[k]
                left = np.array([residual.dra_cosdec, residual.ddec])
                left = left - np.nan_to_num(residual.plate_offset)
                speed = np.array([residual.prediction.ra_rate, residual.prediction.dec_rate]) / 3600.0
            else:
                continue
            if np.isfinite(left).all() and np.isfinite(speed).all():
                rows.append((sighting, left, speed, axes))
    if len({sighting.site for sighting, *_ in rows}) < 2:
        return None
    middle = np.mean([sighting.time.jd for sighting, *_ in rows])
    offsets = [
        site_offset(
            sighting.site, (sighting.time.jd - middle) * 24.0, (*left, axes), sighting.covariance, speed,
            sighting.observer, sighting.time, distance_au,
        )
        for sighting, left, speed, axes in rows
    ]  # fmt: skip
    orbit = np.mean(covariances, axis=0) if covariances else None
    return judge_sites(offsets, zero_arcsec=zero, clock_s=clock_s, orbit_covariance=orbit)


def _clock_offsets(residuals, nights) -> tuple:
    """(site, offset s, sigma s) of each site's O-C along the motion against the mean of the others'."""
    import numpy as np

    by_site: dict[str, list] = {}
    for night in nights:
        for sighting, residual in zip(night.sightings, night.residuals, strict=False):
            rate = residual.prediction.rate / 3600.0
            if np.isfinite(rate) and rate > 0:
                along = float((residual.rotation @ residual.corrected)[0])
                sigma = np.hypot(residual.sigma_motion[0], night.zero_arcsec.get(sighting.site, 0.05))
                by_site.setdefault(sighting.site, []).append((along / rate, sigma / rate))
    if len(by_site) < 2:
        return ()
    means = {}
    for name, values in by_site.items():
        offsets, sigmas = np.array(values).T
        # A site's plate error is common to its night: it does not average out.
        means[name] = float(np.average(offsets, weights=sigmas**-2)), float(np.min(sigmas))
    found = []
    for name, (offset, sigma) in means.items():
        others = np.array([value for other, value in means.items() if other != name])
        weights = others[:, 1] ** -2
        mean, error = float(np.average(others[:, 0], weights=weights)), float(1 / np.sqrt(weights.sum()))
        found.append((name, offset - mean, float(np.hypot(sigma, error))))
    return tuple(found)


def _sentences(fit, predicted, verdict) -> tuple[str, ...]:
    """What was found, in words; a distance only where it is measured."""
    import math

    from appulse.constants import AU_KM

    base = f"projected baseline {fit.baseline_km:,.0f} km".replace(",", " ")
    said = []
    if fit.is_measured:
        near, far = fit.range_au(1.0)
        digits = fit.decimals
        said.append(
            f"The body is {fit.distance_au:.{digits}f} au ({fit.distance_au * AU_KM / 1e6:.4g} million km) "
            f"from the Earth's centre, 68% of cases between {near:.{digits}f} and {far:.{digits}f} au; "
            f"{base}, parallax {fit.parallax_arcsec:.2f} ± {fit.sigma_parallax_arcsec:.2f} arcsec."
        )
        part = max(fit.budget, key=fit.budget.get)
        said.append(f"Most of the error comes from the {part}.")
    elif fit.rivals:
        others = ", ".join(f"{1 / inverse:.3g}" for inverse in fit.rivals)
        said.append(
            f"Cannot tell the distance: {1 / fit.inverse_au:.3g} au fits, and so does {others} au; sightings "
            "of another night, or of a site far away, would tell."
        )
    else:
        near, _ = fit.range_au(2.0)
        factor = 3.0 * fit.sigma_inverse_au / max(fit.inverse_au, fit.sigma_inverse_au / 3.0)
        said.append(
            f"Cannot tell the distance: the parallax is {fit.parallax_arcsec:.2f} ± "
            f"{fit.sigma_parallax_arcsec:.2f} arcsec ({base}). The body is farther than {near:.3g} au (95%). "
            f"A baseline {factor:.2g} times as long, or places as much better, would measure it."
        )
    if math.isfinite(predicted):
        off = (fit.inverse_au - 1.0 / predicted) / fit.sigma_inverse_au
        said.append(f"The orbit has it at {predicted:.5g} au, {abs(off):.1f} sigma from the parallax.")
    if fit.dof > 0 and fit.probability < 1e-3:
        said.append(
            f"The places agree with one body on a short arc only badly (chi-squared {fit.chi2:.0f} with "
            f"{fit.dof} degrees of freedom); the sigmas are widened: look at the residuals of each site."
        )
    if verdict is not None:
        said.append(verdict.sentence)
        # The distance is told without an orbit.
        if {cause for cause, _ in verdict.causes} - {"orbit"}:
            said.append("The distance above holds only as far as that is put right.")
    return tuple(said)
