"""``appulse campaign check``: read a campaign file and say in words what it asks for."""

import argparse
import contextlib
from pathlib import Path

from appulse.cli import common
from appulse.errors import AppulseError, InputError

_EXAMPLES = """\
examples:
  appulse campaign check spring.yaml

Every mistake is told with its line. A commented example lies in the sample data: sample_data/campaign.yaml.
Sites and instruments may be named from the settings file instead of being defined in the campaign; appulse
doctor tells where that file is looked for.
"""


def add_parser(subparsers) -> None:
    """Register the command and its options."""
    parser = subparsers.add_parser("campaign", description="Work with campaign files.", epilog=_EXAMPLES)
    parser.add_argument("action", choices=("check",), help="what to do")
    parser.add_argument("file", type=Path, metavar="FILE", help="the campaign file")


def run(args: argparse.Namespace) -> int:
    """Check and explain.

    Raises
    ------
    InputError
        Something in the file cannot be used; the first mistake, after all have been listed.
    """
    import sys

    from appulse.encounters.campaign_file import read_campaign

    problems, found = [], {}
    try:
        campaign = read_campaign(args.file)
        for part in (check_dates, bodies_of, targets_of):
            try:
                found[part] = part(campaign)
            except InputError as error:
                problems.append(str(error))
    except InputError as error:
        problems = str(error).splitlines()
    if problems:
        for line in problems[:-1]:
            print(f"appulse: {line}", file=sys.stderr)
        raise InputError(problems[-1])
    print(f"{args.file}: {campaign.title}")
    for words in explain(campaign, len(found[targets_of]), len(found[bodies_of])):
        print(f"  {words}")
    return 0


@contextlib.contextmanager
def at_line(campaign, lines, key):
    """Whatever goes wrong inside is told with the campaign's line of that key, where it has one."""
    try:
        yield
    except AppulseError as error:
        if campaign.path is None or key not in lines:
            raise
        raise InputError(f"{campaign.path}:{lines[key]}: {error}") from None


def check_dates(campaign):
    """Refuse dates for which there are no places of the planets.

    Raises
    ------
    InputError
        With the campaign's line.
    """
    from appulse.bodies.kernels import default_kernels
    from appulse.observers.timescales import quiet_erfa, tdb_days

    with at_line(campaign, campaign.lines, "dates"), quiet_erfa():
        for moment in (campaign.start, campaign.end):
            default_kernels().check_span(tdb_days(moment), "a date of the campaign")


def bodies_of(campaign):
    """The catalogue of the campaign's bodies.

    Parameters
    ----------
    campaign : Campaign

    Returns
    -------
    OrbitCatalogue

    Raises
    ------
    InputError
        A file cannot be read, or a name means no body or two; with the campaign's line.
    """
    import numpy as np

    from appulse.bodies.catalogue import OrbitCatalogue

    choice = campaign.bodies
    with at_line(campaign, choice.lines, "orbits"):
        parts = [common.load_orbits(Path(path)) for path in choice.orbits] or [common.load_orbits(None)]
    catalogue = parts[0] if len(parts) == 1 else OrbitCatalogue.concatenate(parts)
    if not choice.names:
        return catalogue
    rows = []
    with at_line(campaign, choice.lines, "names"):
        for name in choice.names:
            catalogue.select(name)  # raises with its own words when the name means none or two
            rows.append(int(catalogue.rows_of(name)[0]))
    return catalogue.take(np.array(list(dict.fromkeys(rows))))


def targets_of(campaign):
    """The objects of the campaign.

    Parameters
    ----------
    campaign : Campaign

    Returns
    -------
    Targets

    Raises
    ------
    InputError
        A name, a type or a file is not known, or the limits leave nothing; with the campaign's line.
    """
    from dataclasses import replace

    from appulse.encounters.targets import choose_targets

    choice, lines = campaign.targets, campaign.targets.lines
    limits = ("brighter_than", "larger_than", "smaller_than")
    key = next((key for key in ("outlines", "names", "types", *limits) if key in lines), None)
    for part in ("outlines", "names", "types"):
        if part in lines and getattr(choice, part):
            with at_line(campaign, lines, part):
                choose_targets(replace(type(choice)(), **{part: getattr(choice, part)}))
    with at_line(campaign, lines, next((name for name in limits if name in lines), key)):
        return choose_targets(choice)


def explain(campaign, target_count: int, body_count: int) -> list[str]:
    """A campaign in sentences.

    Parameters
    ----------
    campaign : Campaign
    target_count, body_count : int

    Returns
    -------
    list of str
    """
    rule, bodies = campaign.rule, campaign.bodies
    days = campaign.end.jd - campaign.start.jd
    who = ", ".join(bodies.names) if bodies.names else f"all {body_count} bodies"
    source = ", ".join(Path(path).name for path in bodies.orbits) or "the bundled starter set"
    limit = "" if bodies.brighter_than is None else f", brighter than magnitude {bodies.brighter_than:g}"
    lines = [
        f"dates     {campaign.start.iso[:16]} to {campaign.end.iso[:16]} UTC ({days:.0f} days)",
        f"bodies    {who} of {source}{limit}",
        f"targets   {target_count} {'object' if target_count == 1 else 'objects'}",
        f"passes    within {rule.within:g}' of the {rule.measured_from}, at least {rule.least_elongation:g} "
        "degrees from the Sun",
    ]
    for site in campaign.sites:
        lines.append(f"site      {site.name}: {_site_words(site)}")
    for optics in campaign.instruments:
        lines.append(f"with      {optics.name}: {_instrument_words(optics)}")
    weights = ", ".join(f"{term} {weight:g}" for term, weight in campaign.ranking.items())
    lines.append(f"ranking   {weights}")
    if not campaign.sites:
        lines.append("no site: passes are listed unranked, as seen from the Earth's centre")
    return lines


def _site_words(site) -> str:
    clear = sum(site.clear_nights) / 12
    if max(site.clear_nights) - min(site.clear_nights) >= 0.01:
        weather = f"{min(site.clear_nights):.0%} to {max(site.clear_nights):.0%} of nights clear by month"
    else:
        weather = f"{clear:.0%} of nights clear"
    view = (
        _window_words(site.window) if site.window else "a drawn horizon" if site.horizon else "a flat horizon"
    )
    moon = f"Moon at least {site.moon_separation:g} degrees away"
    if site.moon_illumination < 1:
        moon += f" and at most {site.moon_illumination:.0%} lit"
    return (
        f"{view}, not below {site.lowest:g} degrees; dark from Sun {site.twilight:g}; {moon}; {weather}; "
        f"{site.time_zone}"
    )


def _window_words(window) -> str:
    """Which way around a window was understood: what lies between its corners is easily mistaken."""
    from appulse.formats.settings import window_shape

    west, low, east, top = window_shape(window).bounds
    if east - west >= 360:
        return f"a window of sky all around from altitude {low:g} to {top:g}"
    north = " through north" if (east % 360) < (west % 360) and east % 360 > 0 else ""
    return (
        f"a window of sky from azimuth {west % 360:g}{north} to {east % 360:g} ({east - west:g} degrees "
        f"wide) and from altitude {low:g} to {top:g}"
    )


def _instrument_words(optics) -> str:
    from appulse.encounters.photon_rates import pixel_scale_arcsec

    scale = float(pixel_scale_arcsec(optics.pixel_um, optics.focal_length_mm))
    width, height = (scale * n / 60 for n in optics.sensor_px)
    return (
        f"{optics.aperture_mm:g} mm, f {optics.focal_length_mm:g} mm, {scale:.2f}\"/px, field {width:.0f}' x "
        f"{height:.0f}', {optics.mount}"
    )
