"""``appulse campaign check``: read a campaign file and say in words what it asks for."""

import argparse
from pathlib import Path

from appulse.errors import InputError

_EXAMPLES = """\
examples:
  appulse campaign check spring.yaml

Every mistake is told with its line. A commented example lies in the sample data: sample_data/campaign.yaml.
Sites and instruments may be named from the settings file instead of being defined in the campaign.
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

    from appulse.encounters.campaign import read_campaign
    from appulse.encounters.targets import choose_targets

    try:
        campaign = read_campaign(args.file)
        targets = choose_targets(campaign.targets)
    except InputError as error:
        problems = str(error).splitlines()
        for line in problems[:-1]:
            print(f"appulse: {line}", file=sys.stderr)
        raise InputError(problems[-1]) from None
    print(f"{args.file}: {campaign.title}")
    for words in explain(campaign, len(targets)):
        print(f"  {words}")
    return 0


def explain(campaign, target_count: int) -> list[str]:
    """A campaign in sentences.

    Parameters
    ----------
    campaign : Campaign
    target_count : int

    Returns
    -------
    list of str
    """
    rule, bodies = campaign.rule, campaign.bodies
    days = campaign.end.jd - campaign.start.jd
    who = ", ".join(bodies.names) if bodies.names else "every body"
    source = ", ".join(Path(path).name for path in bodies.orbits) or "the bundled starter set"
    limit = "" if bodies.brighter_than is None else f", brighter than magnitude {bodies.brighter_than:g}"
    lines = [
        f"dates     {campaign.start.iso[:16]} to {campaign.end.iso[:16]} UTC ({days:.0f} days)",
        f"bodies    {who} of {source}{limit}",
        f"targets   {target_count} objects",
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
    view = "a window of sky" if site.window else "a drawn horizon" if site.horizon else "a flat horizon"
    return (
        f"{view}, not below {site.lowest:g} degrees; dark from Sun {site.twilight:g}; Moon at least "
        f"{site.moon_separation:g} degrees away; {clear:.0%} of nights clear; {site.time_zone}"
    )


def _instrument_words(optics) -> str:
    scale = 206.265 * optics.pixel_um / optics.focal_length_mm
    width, height = (scale * n / 60 for n in optics.sensor_px)
    return (
        f"{optics.aperture_mm:g} mm, f {optics.focal_length_mm:g} mm, {scale:.2f}\"/px, field {width:.0f}' x "
        f"{height:.0f}', {optics.mount}"
    )
