"""``appulse campaign check``: read a campaign file and say in words what it asks for."""

import argparse
from pathlib import Path

from appulse.cli import common
from appulse.errors import InputError

_EXAMPLES = """\
examples:
  appulse campaign check spring.yaml

Every mistake is reported with its line number. A commented example is in the sample data:
sample_data/campaign.yaml. Sites and instruments may be named from the settings file instead of being defined
in the campaign; appulse doctor says where that file is looked for.
"""


def add_parser(subparsers) -> None:
    """Register the command and its options."""
    parser = subparsers.add_parser("campaign", description="Work with campaign files.", epilog=_EXAMPLES)
    parser.add_argument("action", choices=("check",), help="what to do")
    parser.add_argument("file", type=Path, metavar="FILE", help="the campaign file")


def run(args: argparse.Namespace) -> int:
    """Check and explain; every mistake is listed."""
    import sys

    from appulse.encounters import read_campaign
    from appulse.workflows import bodies_of, check_dates, targets_of

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
    catalogue, notes = found[bodies_of]
    for words in notes:
        common.note(words)
    print(f"{args.file}: {campaign.title}")
    for words in explain(campaign, len(found[targets_of]), len(catalogue)):
        print(f"  {words}")
    return 0


def explain(campaign, target_count: int, body_count: int) -> list[str]:
    """A campaign in sentences."""
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
    from appulse.formats import window_shape

    west, low, east, top = window_shape(window).bounds
    if east - west >= 360:
        return f"a window of sky all around from altitude {low:g} to {top:g}"
    north = " through north" if (east % 360) < (west % 360) and east % 360 > 0 else ""
    return (
        f"a window of sky from azimuth {west % 360:g}{north} to {east % 360:g} ({east - west:g} degrees "
        f"wide) and from altitude {low:g} to {top:g}"
    )


def _instrument_words(optics) -> str:
    from appulse.encounters import pixel_scale_arcsec

    scale = float(pixel_scale_arcsec(optics.pixel_um, optics.focal_length_mm))
    width, height = (scale * n / 60 for n in optics.sensor_px)
    return (
        f"{optics.aperture_mm:g} mm, f {optics.focal_length_mm:g} mm, {scale:.2f}\"/px, field {width:.0f}' x "
        f"{height:.0f}', {optics.mount}"
    )
