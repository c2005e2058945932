"""Passes to come: what a campaign asks for, searched, grouped, ranked by what its sites will see."""

import contextlib
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

from appulse.errors import AppulseError, InputError
from appulse.workflows.progress import IsCancelled, Progress, counted
from appulse.workflows.sources import age_notes, load_orbits, split_names

SMALL_TELESCOPE_MAG = 13.0
"""What a telescope of 0.1 to 0.2 m shows in a minute or so (common practice, no source). The bundled bodies
are searched down to it where neither names nor a limit are given: more would hide what is worth a night."""

MOST_TO_LOOK_AGAIN = 2_000_000
"""Bodies times objects of a search that found nothing and is done again without its limits."""


@dataclass(frozen=True)
class FoundPasses:
    """Passes of a campaign, in the order of time, or of rank where the campaign has sites."""

    table: Any  # Table: a row for each pass
    passes: tuple
    search: Any  # PassSearch: what was searched for, and with which limits
    catalogue: Any  # OrbitCatalogue: of the bodies
    n_hidden: int = 0  # how many more the limits of elongation and brightness hide
    n_faint: int = 0  # bodies that stay fainter than the limit on all dates and were not searched
    hidden: tuple = ()  # where there is none: those passes
    notes: tuple[str, ...] = ()


def search_passes(
    campaign, *, observer=None, run: Callable | None = None, progress: Progress | None = None,
    cancelled: IsCancelled | None = None, ranked: bool = False, tail_deg: float | None = None,
    from_sites=None,
) -> FoundPasses:  # fmt: skip
    """Search a campaign's dates for passes of its bodies by its objects, and rank them for its sites.

    Parameters
    ----------
    campaign : Campaign
        From :func:`appulse.encounters.campaign_file.read_campaign`, or made of its parts.
    observer : Site, optional
        From where separations are seen; the Earth's centre when left out.
    run : callable, optional
        Spreads the search: ``pool.map`` of a process pool, or that of a cluster.
    progress, cancelled : callable, optional
        A search that is cancelled raises :class:`appulse.sequence.run.Cancelled`: half of it is of no use.
    ranked : bool
        Rank the passes although the campaign has no sites: by closeness, brightness and elongation alone.
    tail_deg : float, optional
        Length of comets' tails on the sky; by the law of their total magnitudes when left out.
    from_sites : dict of str to Site, optional
        Places to compare: the table says what each pass is from each, as :func:`shown_places` gives them.

    Returns
    -------
    FoundPasses

    Raises
    ------
    InputError
        If something in the campaign cannot be used, with its line where it comes from a file.

    Examples
    --------
    See :func:`appulse.find_passes`.
    """
    from appulse.encounters import PassSearch, gather, passes_table
    from appulse.formats import provenance
    from appulse.observers import Site

    if tail_deg is not None and not 0.0 < tail_deg <= 20.0:
        raise InputError(f"a tail of {tail_deg:g} degrees: above 0 and at most 20 is allowed")
    check_dates(campaign)
    campaign, unlimited = _with_limit(campaign)
    catalogue, notes = bodies_of(campaign)
    search = PassSearch(
        targets=targets_of(campaign), start=campaign.start, end=campaign.end,
        observer=Site.geocentre() if observer is None else observer, within_arcmin=campaign.rule.within,
        measured_from=campaign.rule.measured_from, least_elongation=campaign.rule.least_elongation,
        brighter_than=campaign.bodies.brighter_than, tail_deg=tail_deg,
    )  # fmt: skip
    notes += _of_unknown_brightness(catalogue, search.brighter_than)
    how = {"run": run, "progress": progress, "cancelled": cancelled}
    passes, n_hidden, n_faint = _find(catalogue, search, **how)
    if unlimited:
        notes += (_limit_words(campaign, n_faint),)
    if campaign.rule.body_by_body:
        if observer is not None:
            notes += ("passes of body by body are those of the Earth's centre, whatever --site says",)
        passes = _with_mutual(passes, catalogue, campaign)
    events, more = gather(passes, campaign.rule.group_within), {}
    if (campaign.sites or ranked) and passes:
        ranks, chances = _rank(passes, catalogue, campaign, progress, cancelled)
        order = sorted(range(len(passes)), key=lambda i: -ranks[i].score)
        passes, events = [passes[i] for i in order], [events[i] for i in order]
        more = {"ranks": [ranks[i] for i in order]}
        if campaign.sites:
            more["chances"] = [chances[i] for i in order]
    if from_sites:
        more["from_sites"] = [_from_sites(one, catalogue, from_sites) for one in passes]
    table = passes_table(passes, events=events, meta=provenance(**_asked(search, catalogue)), **more)
    notes += _ages(passes, catalogue, search)
    hidden = () if passes else _hidden(catalogue, search, how)
    return FoundPasses(table, tuple(passes), search, catalogue, n_hidden, n_faint, hidden, notes)


def _with_limit(campaign):
    """The campaign, with the usual limit where it asks for all bundled bodies; and whether it got one."""
    choice = campaign.bodies
    if choice.names or choice.orbits or choice.brighter_than is not None:
        return campaign, False
    return replace(campaign, bodies=replace(choice, brighter_than=SMALL_TELESCOPE_MAG)), True


def _limit_words(campaign, n_faint):
    limit = campaign.bodies.brighter_than
    return (
        f"no limit of brightness is given: bodies brighter than magnitude {limit:g} are searched; {n_faint}"
        " others stay fainter on all dates (brighter_than: 40 searches all of them)"
    )


def find_passes(
    start, end, bodies=None, targets=None, *, orbits=None, within_arcmin: float = 10.0,
    measured_from: str = "centre", brighter_than: float | None = None, site=None,
    progress: Progress | None = None, cancelled: IsCancelled | None = None,
):  # fmt: skip
    """Which bodies pass which deep-sky objects between two dates.

    Parameters
    ----------
    start, end : str or Time
        UTC.
    bodies : str or list of str, optional
        Numbers, names or designations; every body of the orbits when left out.
    targets : str or list of str, optional
        Names of objects; the whole catalogue when left out.
    orbits : path, optional
        An orbit file; the bundled orbits when left out.
    within_arcmin : float
        Largest least separation.
    measured_from : {'centre', 'outline'}
        Where it starts.
    brighter_than : float, optional
        Faintest body, magnitudes; 13 where all of the bundled bodies are searched.
    site : str or Site, optional
        From where separations are seen (code, ``lon,lat,height``, name in the settings file); the Earth's
        centre when left out.
    progress, cancelled : callable, optional

    Returns
    -------
    Table
        A row for each pass, in the order of time: its id, UTC, separation (arcsec), whether the body goes
        inside the outline, magnitude, elongation, motion.

    Raises
    ------
    InputError
        If a body, an object, a date or the site cannot be understood.
    EphemerisSpanError
        If the dates leave the bundled kernels.

    Examples
    --------
    >>> import appulse
    >>> passes = appulse.find_passes("2027-05-01", "2027-05-09", "7", "IC 4603")
    >>> str(passes["encounter"][0]), round(float(passes["separation"][0]) / 60, 1)
    ('7-IC4603-20270504', 3.7)
    """
    from appulse.encounters import BodyChoice, Campaign, TargetChoice
    from appulse.formats import site_of
    from appulse.observers import parse_utc

    dates = [parse_utc(when) if isinstance(when, str) else when for when in (start, end)]
    names = tuple(split_names(bodies) or ())
    wanted = tuple(split_names(targets, "target") or ())
    kept = () if orbits is None else (str(orbits),)
    campaign = Campaign(
        title="search", start=dates[0], end=dates[1], targets=TargetChoice(names=wanted),
        bodies=BodyChoice(names=names, orbits=kept, brighter_than=brighter_than),
    )  # fmt: skip
    rule = replace(campaign.rule, within=within_arcmin, measured_from=measured_from, least_elongation=0.0)
    observer = site_of(site) if isinstance(site, str) else site
    found = search_passes(
        replace(campaign, rule=rule), observer=observer, progress=progress, cancelled=cancelled
    )
    return found.table


def _find(catalogue, search, *, run, progress, cancelled):
    from appulse.encounters import find_and_count

    words, done = "searching", 0

    def advance(bodies: int) -> None:
        nonlocal done
        done += bodies
        if progress is not None:
            progress(words, done, len(catalogue))
        if cancelled is not None and cancelled():
            _stop(words)

    advance(0)
    return find_and_count(catalogue, search, run=run, progress=advance)


def _stop(words: str):
    from appulse.sequence import Cancelled as Stopped

    raise Stopped(f"stopped while {words}")


def _hidden(catalogue, search, how) -> tuple:
    """Passes that the limits of elongation and brightness hide."""
    if search.least_elongation <= 0 and search.brighter_than is None:
        return ()
    if len(catalogue) * len(search.targets) > MOST_TO_LOOK_AGAIN:
        return ()
    return tuple(_find(catalogue, replace(search, least_elongation=0.0, brighter_than=None), **how).passes)


def _ages(passes, catalogue, search) -> tuple[str, ...]:
    """Warnings of comets that pass, by the first pass of each."""
    first = {found.row: found for found in reversed(passes)}
    if not first:
        return ()
    orbits = [catalogue.orbit(row) for row in sorted(first)]
    return age_notes(orbits, min(found.time for found in first.values()), search.observer)


def _of_unknown_brightness(catalogue, brighter_than) -> tuple[str, ...]:
    """Bodies of unknown brightness never pass a limit of magnitude; that is said, not passed over."""
    import numpy as np

    unknown = int(np.sum(np.isnan(catalogue.h) & np.isnan(catalogue.m1)))
    if brighter_than is None or not unknown:
        return ()
    which = f"{unknown} of {len(catalogue)} bodies have no magnitude in their orbits"
    return (f"{which}: a limit of brightness leaves them out",)


def _asked(search, catalogue):
    """What was searched, for the table's provenance; a site without a code by its name alone."""
    return {
        "orbits": {"source": catalogue.source, "bodies": len(catalogue)},
        "options": {
            "from": search.start.isot, "to": search.end.isot, "within_arcmin": search.within_arcmin,
            "measured_from": search.measured_from, "least_elongation_deg": search.least_elongation,
            "brighter_than": search.brighter_than, "observer": search.observer.code or search.observer.name,
            "objects": len(search.targets),
        },
    }


def _with_mutual(passes, catalogue, campaign):
    """Passes of body by body among the others, in the order of time."""
    from appulse.encounters import find_mutual_passes

    limits = {"brighter_than": campaign.bodies.brighter_than}
    more = find_mutual_passes(catalogue, campaign.start, campaign.end, campaign.rule.within, **limits)
    more = [encounter for encounter in more if encounter.elongation >= campaign.rule.least_elongation]
    return sorted([*passes, *more], key=lambda encounter: (encounter.time.jd, encounter.id))


def _rank(passes, catalogue, campaign, progress, cancelled):
    """Rank of each pass by what the campaign's sites see on the nights around, and its chances in words."""
    from appulse.encounters import advice, nights_of_pass, odds, rank

    if not campaign.sites:
        return [rank(passing, (), campaign.ranking, campaign.rule.within) for passing in passes], []
    ranks, chances = [], []
    words = "nights of the passes"
    for encounter in counted(passes, words, progress, cancelled):
        nights = nights_of_pass(encounter, catalogue, campaign)
        ranks.append(rank(encounter, nights, campaign.ranking, campaign.rule.within))
        of_site = {s.name: [night for night in nights if night.site.name == s.name] for s in campaign.sites}
        chances.append(advice({name: odds(some) for name, some in of_site.items()}, campaign.rental))
    if len(ranks) < len(passes):
        _stop(words)
    return ranks, chances


def _from_sites(encounter, catalogue, places) -> str:
    """A pass from several sites in words; two bodies by each other are left to the geocentre."""
    from appulse.encounters import parallax_words, seen_from

    if encounter.target.object_type == "minor body":
        return ""
    return parallax_words(seen_from(encounter, catalogue, places))


def shown_places(words, campaign_sites=()) -> dict:
    """Places to compare passes from, each as coarse as it may be shown (0.01 degrees where private).

    Parameters
    ----------
    words : sequence of str
        Names, codes or LON,LAT,HEIGHT; empty: the campaign's own sites.
    campaign_sites : sequence of SiteSettings

    Returns
    -------
    dict of str to Site

    Raises
    ------
    SiteError
        If a place is not understood.
    """
    from appulse.formats import SiteSettings, site_of

    if not words:
        return {site.name: site.shown.place for site in campaign_sites}
    known, found = {site.name: site for site in campaign_sites}, {}
    for number, text in enumerate(words, 1):
        if text in known:
            found[text] = known[text].shown.place
            continue
        name = f"site {number}" if "," in text else text
        found[name] = SiteSettings(name, site_of(text, campaign_sites)).shown.place
    return found


def map_pass(found, encounter_id: str | None = None):
    """Least separation of one of the passes over the whole Earth.

    Parameters
    ----------
    found : FoundPasses
    encounter_id : str, optional
        The pass of the nearest body when left out.

    Returns
    -------
    EarthMap

    Raises
    ------
    InputError
        If no pass was found, or none has this id.
    """
    from appulse.encounters import body_vectors, map_of_pass

    passes = [
        one for one in found.passes
        if encounter_id in (None, one.id) and one.target.object_type != "minor body"
    ]  # fmt: skip
    if not passes:
        raise InputError(f"no pass {encounter_id or 'at all'} was found: there is nothing to map")
    nearest = min(passes, key=lambda one: one.delta)
    return map_of_pass(nearest, found.catalogue, body_vectors(nearest, found.catalogue))


# --- the parts of a campaign


@contextlib.contextmanager
def at_line(campaign, lines, key):
    """Whatever goes wrong inside is reported with the campaign's line of that key, where it has one."""
    try:
        yield
    except AppulseError as error:
        if campaign.path is None or key not in lines:
            raise
        raise InputError(f"{campaign.path}:{lines[key]}: {error}") from None


def check_dates(campaign):
    """Refuse dates for which there are no places of the planets, with the campaign's line."""
    from appulse.bodies import default_kernels
    from appulse.observers import quiet_erfa, tdb_days

    with at_line(campaign, campaign.lines, "dates"), quiet_erfa():
        for moment in (campaign.start, campaign.end):
            default_kernels().check_span(tdb_days(moment), "a date of the campaign")


def bodies_of(campaign) -> tuple[Any, tuple[str, ...]]:
    """The catalogue of the campaign's bodies, and notes; what cannot be used is refused with its line."""
    import numpy as np

    from appulse.bodies import OrbitCatalogue

    choice = campaign.bodies
    with at_line(campaign, choice.lines, "orbits"):
        loaded = [load_orbits(path) for path in choice.orbits or (None,)]
    parts = [catalogue for catalogue, _ in loaded]
    notes = tuple(words for _, skipped in loaded for words in skipped)
    catalogue = parts[0] if len(parts) == 1 else OrbitCatalogue.concatenate(parts)
    if not choice.names:
        return catalogue, notes
    rows = []
    with at_line(campaign, choice.lines, "names"):
        for name in choice.names:
            catalogue.select(name)  # raises with its own words when the name means none or two
            rows.append(int(catalogue.rows_of(name)[0]))
    return catalogue.take(np.array(list(dict.fromkeys(rows)))), notes


def targets_of(campaign):
    """The objects of the campaign; what cannot be used is refused with its line."""
    from appulse.encounters import choose_targets

    choice, lines = campaign.targets, campaign.targets.lines
    limits = ("brighter_than", "larger_than", "smaller_than")
    key = next((key for key in ("outlines", "names", "types", *limits) if key in lines), None)
    for part in ("outlines", "names", "types"):
        if part in lines and getattr(choice, part):
            with at_line(campaign, lines, part):
                choose_targets(replace(type(choice)(), **{part: getattr(choice, part)}))
    with at_line(campaign, lines, next((name for name in limits if name in lines), key)):
        return choose_targets(choice)
