"""Who measured, where and with what: the options that the exchange formats ask for."""

import argparse
import re

from appulse.errors import InputError


def add_ades_options(parser: argparse.ArgumentParser) -> None:
    """Add what observers, stations and telescopes are called."""
    group = parser.add_argument_group("observations to send on (--also psv, xml, obs80)")
    group.add_argument("--station", metavar="CODE", help="observatory code; without one: a draft, XXX")
    group.add_argument("--submitter", metavar="NAME", help="who sends them, e.g. 'A. Nonym'")
    group.add_argument("--observer", metavar="NAME,...", help="who took the frames")
    group.add_argument("--measurer", metavar="NAME,...", help="who measured (the submitter)")
    group.add_argument(
        "--telescope", metavar="DESIGN,M,DETECTOR", help="e.g. reflector,0.25,CMOS (aperture in metres)"
    )  # fmt: skip
    group.add_argument("--band", metavar="BAND", help="band of the magnitudes (G where the stars are Gaia's)")
    group.add_argument(
        "--disclose-site",
        action="store_true",
        help="write the coordinates of a site without code (station 247); else they never go out",
    )
    group.add_argument(
        "--with-oc", action="store_true", help="O-C in psv and xml: to exchange, not to submit"
    )


def ades_choice(args: argparse.Namespace):
    """What the options say, as an AdesChoice.

    >>> parser = argparse.ArgumentParser()
    >>> add_ades_options(parser)
    >>> words = ["--submitter", "A. Nonym", "--telescope", "reflector,0.25,CMOS"]
    >>> choice = ades_choice(parser.parse_args(words))
    >>> choice.header.measurers, choice.header.aperture_m, choice.mode
    (('A. Nonym',), 0.25, 'CMO')
    """
    from appulse.formats.ades.build import AdesHeader
    from appulse.workflows.export import AdesChoice

    if args.station is not None and not re.fullmatch(r"[A-Za-z0-9]{3,4}", args.station):
        raise InputError(f"--station {args.station!r} is no observatory code, as X05 is one")
    if args.band is not None and not re.fullmatch(r"[A-Za-z0-9]{1,3}", args.band):
        raise InputError(f"--band {args.band!r} is no band: one to three letters, as G, V or Gb")
    design, aperture_m, detector = _telescope(args.telescope)
    measurers = _names(args.measurer) or ((args.submitter,) if args.submitter else ())
    header = AdesHeader(
        mpc_code=args.station, submitter=args.submitter, observers=_names(args.observer), measurers=measurers,
        design=design, aperture_m=aperture_m, detector=detector,
    )  # fmt: skip
    return AdesChoice(header, args.disclose_site, args.band, args.with_oc)


def _names(text: str | None) -> tuple:
    return tuple(name.strip() for name in (text or "").split(",") if name.strip())


def _telescope(text: str | None) -> tuple:
    if text is None:
        return None, None, None
    parts = [part.strip() for part in text.split(",")]
    try:
        design, aperture, detector = parts
        aperture_m = float(aperture)
    except ValueError:
        aperture_m = 0.0
    if not 0.0 < aperture_m < 100.0 or not all(parts):
        raise InputError(
            f"--telescope {text!r}: design, aperture in metres and detector with commas are needed, as in "
            "reflector,0.25,CMOS"
        )
    return design, aperture_m, detector
