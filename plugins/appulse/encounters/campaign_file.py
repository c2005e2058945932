"""The campaign file: where from, with what, which bodies, which objects, when, and what counts as a pass.

Everything has a default but the dates. Sites and instruments may stand in the file, or be named from the
settings file (:mod:`appulse.formats.settings`).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from astropy.time import Time

from appulse.errors import AppulseError
from appulse.formats import (
    Fields,
    Located,
    Problems,
    load_yaml,
    read_instruments,
    read_settings,
    read_sites,
    settings_path,
)
from appulse.observers import parse_utc

RANKING_TERMS = ("closeness", "brightness", "duration", "moon", "airmass", "elongation")


@dataclass(frozen=True)
class BodyChoice:
    """Which bodies: names (all when empty), files of orbits (the starter set when empty), limits.

    ``lines`` says where in the campaign file each stands.
    """

    names: tuple = ()
    orbits: tuple = ()
    brighter_than: float | None = None
    lines: dict = field(default_factory=dict, compare=False)


@dataclass(frozen=True)
class TargetChoice:
    """Which objects: names, types and limits (V magnitude, full major axis in arcmin); files of outlines.

    ``lines`` says where in the campaign file each stands.
    """

    names: tuple = ()
    types: tuple = ()
    brighter_than: float | None = None
    larger_than: float | None = None
    smaller_than: float | None = None
    outlines: tuple = ()
    lines: dict = field(default_factory=dict, compare=False)


@dataclass(frozen=True)
class PassRule:
    """What counts as a pass."""

    within: float = 10.0  # arcmin
    # where `within` starts; 'outline': a body inside the outline counts at any distance of the centre
    measured_from: str = "centre"
    least_elongation: float = 30.0  # from the Sun, degrees
    # Passes of one body by objects nearer to each other than this (arcmin), within a day, are one event; 0:
    # never.
    group_within: float = 30.0
    body_by_body: bool = False  # also look for two minor bodies near each other


@dataclass(frozen=True)
class Rental:
    """Terms of hired time: shortest slot (minutes), price of an hour, currency."""

    slot_minutes: float = 30.0
    price_hour: float | None = None
    currency: str = ""


@dataclass(frozen=True)
class Campaign:
    """One campaign, checked. `start` and `end` are UTC."""

    title: str
    start: Time
    end: Time
    sites: tuple = ()
    instruments: tuple = ()
    bodies: BodyChoice = field(default_factory=BodyChoice)
    targets: TargetChoice = field(default_factory=TargetChoice)
    rule: PassRule = field(default_factory=PassRule)
    ranking: dict = field(default_factory=lambda: dict.fromkeys(RANKING_TERMS, 1.0))
    rental: dict = field(default_factory=dict)
    usable_nights: int = 5
    path: Path | None = None
    lines: dict = field(default_factory=dict, compare=False)


def read_campaign(path, settings=None):
    """Read and check a campaign file.

    Parameters
    ----------
    path : path
    settings : Settings, optional
        Where names of sites and instruments are looked up; default: the user's settings file.

    Returns
    -------
    Campaign

    Raises
    ------
    InputError
        All mistakes at once, one a line, each as ``file:line: what was got, what is allowed``.

    Examples
    --------
    >>> import tempfile, pathlib
    >>> from appulse.formats.settings import Settings
    >>> file = pathlib.Path(tempfile.mkdtemp()) / "spring.yaml"
    >>> _ = file.write_text("dates: {from: 2027-05-01, to: 2027-05-10}")
    >>> campaign = read_campaign(file, Settings())
    >>> campaign.start.iso, campaign.rule.within
    ('2027-05-01 00:00:00.000', 10.0)
    >>> _ = file.write_text("dates: {from: 2027-05-11, to: 2027-05-10}")
    >>> read_campaign(file, Settings())  # doctest: +ELLIPSIS
    Traceback (most recent call last):
    appulse.errors.ProblemListError: ...spring.yaml:1: campaign dates: 'to' (2027-05-10) must be after ...
    """
    path = Path(path)
    problems = Problems(path)
    top = Fields(load_yaml(path), problems, "campaign")
    settings = read_settings() if settings is None else settings
    start, end = _dates(top)
    file = settings.path or settings_path()
    sites = _mixed(top, "sites", read_sites, settings.sites, file)
    # version 0.1 called it serving_nights; goes with the next version
    nights = "serving_nights" if "serving_nights" in top.mapping else "usable_nights"
    campaign = Campaign(
        title=top.text("title", path.stem),
        start=start,
        end=end,
        sites=sites,
        instruments=_mixed(top, "instruments", read_instruments, settings.instruments, file),
        bodies=_bodies(top, path.parent, settings),
        targets=_targets(top, path.parent),
        rule=_rule(top),
        ranking=_ranking(top),
        rental=_rental(top, sites),
        usable_nights=int(top.number(nights, 5, minimum=1, maximum=60, whole=True)),
        path=path,
        lines=dict(top.mapping.lines),
    )
    top.done()
    # All mistakes at once: nobody likes to correct a file line by line.
    problems.raise_any()
    return campaign


def _dates(top):
    dates = top.section("dates")
    if dates is None:
        if "dates" not in top.mapping:
            top.problem(None, "'dates' is missing: {from: 2027-05-01, to: 2027-05-31}")
        return None, None
    found = []
    for key in ("from", "to"):
        text = dates.text(key, required=True)
        if text is not None and not text.strip():
            dates.problem(key, f"'{key}' is empty: a date such as 2027-05-01 is wanted")
        try:
            found.append(parse_utc(text) if text and text.strip() else None)
        except AppulseError as error:
            dates.problem(key, f"'{key}': {error}")
            found.append(None)
    dates.done()
    start, end = found
    if start is not None and end is not None and not end > start:
        dates.problem("to", f"'to' ({dates.mapping['to']}) must be after 'from' ({dates.mapping['from']})")
    return start, end


def _mixed(top, key, read_written, kept, path):
    """Entries that are names from the settings file, definitions, or both."""
    entries = top.raw(key)
    if entries is None:
        return ()
    if not isinstance(entries, list):
        top.problem(key, f"'{key}' must be a list of names from the settings file or of definitions")
        return ()
    if not entries:
        top.problem(key, f"'{key}' is empty; name or define some, or leave the line out")
    known = {entry.name: entry for entry in kept}
    # Definitions are read in one go by the reader of the settings file, then put back in the file's order.
    written = [entry for entry in entries if isinstance(entry, Located)]
    holder = Fields(Located({key: written}, top.line(key), {key: top.line(key)}), top.problems, top.where)
    defined = {entry.name: entry for entry in read_written(holder)}
    found = []
    for number, entry in enumerate(entries):
        if isinstance(entry, Located):
            found.append(defined.get(str(entry.get("name"))))
            continue
        name, problem = str(entry), None
        if name in defined or any(earlier is known.get(name) for earlier in found if earlier):
            problem = f"two {key} are called '{name}'; names must differ"
        elif name not in known:
            problem = f"'{name}' is not among the {key} of the settings file ({path}), which has: "
            problem += f"{', '.join(known) or 'none'}; name one of them, or define it here"
        if problem is None:
            found.append(known[name])
        else:
            top.problems.add(top.line_of_item(key, number), f"{top.where}: {problem}")
    # a definition with a mistake has no entry; its mistake is reported with the others
    return tuple(entry for entry in found if entry is not None)


def _some(fields, key):
    """A list of words that is left out or holds some: an empty one is more likely a slip than a wish."""
    found = tuple(fields.texts(key))
    if not found and fields.mapping.get(key) is not None and not fields.mapping[key]:
        fields.problem(key, f"'{key}' is empty; name some, or leave the line out for all")
    return found


def _files(fields, key, folder):
    """Paths are meant from the campaign file's own folder, wherever the program is started."""
    return tuple(str(folder / Path(name).expanduser()) for name in _some(fields, key))


def _bodies(top, folder, settings):
    fields = top.section("bodies")
    if fields is None:
        return BodyChoice(orbits=settings.orbits)
    choice = BodyChoice(
        names=_some(fields, "names"),
        orbits=_files(fields, "orbits", folder) or settings.orbits,
        brighter_than=fields.number("brighter_than", minimum=-30, maximum=40),
        lines=dict(fields.mapping.lines),
    )
    fields.done()
    return choice


def _targets(top, folder):
    fields = top.section("targets")
    if fields is None:
        return TargetChoice()
    choice = TargetChoice(
        names=_some(fields, "names"),
        types=_some(fields, "types"),
        brighter_than=fields.number("brighter_than", minimum=-30, maximum=40),
        larger_than=fields.number("larger_than", minimum=0, maximum=3600),
        smaller_than=fields.number("smaller_than", minimum=0, maximum=3600),
        outlines=_files(fields, "outlines", folder),
        lines=dict(fields.mapping.lines),
    )
    larger, smaller = choice.larger_than, choice.smaller_than
    if larger is not None and smaller is not None and larger >= smaller:
        limits = f"larger_than {larger:g} and smaller_than {smaller:g} arcmin"
        fields.problem("larger_than", f"{limits} leave nothing")
    fields.done()
    return choice


def _rule(top):
    fields = top.section("passes")
    if fields is None:
        return PassRule()
    default = PassRule
    rule = PassRule(
        within=fields.number("within", default.within, above=0, maximum=600),
        measured_from=fields.text("measured_from", default.measured_from, choices=("centre", "outline")),
        least_elongation=fields.number("least_elongation", default.least_elongation, minimum=0, maximum=179),
        group_within=fields.number("group_within", default.group_within, minimum=0, maximum=600),
        body_by_body=fields.flag("body_by_body"),
    )
    fields.done()
    return rule


def _ranking(top):
    weights = dict.fromkeys(RANKING_TERMS, 1.0)
    fields = top.section("ranking")
    if fields is not None:
        weights = {term: fields.number(term, 1.0, minimum=0, maximum=100) for term in RANKING_TERMS}
        fields.done()
        if not any(weights.values()):
            top.problem("ranking", "every weight is 0; give at least one above 0")
    return weights


def _rental(top, sites):
    found = {}
    names = [site.name for site in sites]
    for fields in top.sections("rental"):
        site = fields.text("site", required=True)
        terms = Rental(
            slot_minutes=fields.number("slot_minutes", Rental.slot_minutes, above=0, maximum=1440),
            price_hour=fields.number("price_hour", minimum=0, maximum=1e9),
            currency=fields.text("currency", ""),
        )
        fields.done()
        if site is not None and site not in names:
            known = ", ".join(names) or "none"
            fields.problem("site", f"'{site}' is not one of this campaign's sites: {known}")
        found[site] = terms
    return found
