"""The verdict of a run in full, as YAML: every cause tried, what stays open, what else could be there."""

import re
from pathlib import Path

MOST_HYPOTHESES = 8
"""Single causes and pairs of them listed, likeliest first; the rest have no chance to speak of."""
MOST_ODDS = 1e6
"""Larger odds are not to be believed: the models are not that good."""
FORMS = "arcsec, seconds and degrees; east is RA times cos(Dec); clock offset: true minus recorded time"


def judgement(verdict, residuals, identities=(), **more) -> dict:
    """What was judged, in numbers and sentences that any program can read.

    Parameters
    ----------
    verdict : Verdict or None
        None where no body was seen.
    residuals : sequence of Residual
    identities : sequence of Identity
        One for each residual, or none at all.
    **more
        Further entries that come first.

    Returns
    -------
    dict
        Words, numbers, lists and dicts; what is not known is None.

    Examples
    --------
    >>> judgement(None, [])["verdict"]
    'nothing measured'
    """
    judged = dict(more) | {"verdict": "nothing measured", "units": FORMS}
    if verdict is not None:
        judged |= {
            "verdict": verdict.cause,
            "sentence": verdict.sentence,
            "body": verdict.body or None,
            "causes": list(verdict.causes),
            "odds": _plain(min(verdict.odds, MOST_ODDS), 3),
            "something_besides": list(verdict.undecided),
            "cannot_tell": doubts(verdict),
            "clock": _clock(verdict),
            "plate": _offset(verdict.plate_offset, verdict.plate_covariance)
            | {"is_off": bool(verdict.plate_off)},
            "orbit": _offset(verdict.orbit_offset, verdict.orbit_covariance)
            | {"body": verdict.body or verdict.night.names[0]},
            "outliers": list(verdict.night.outliers),
            "scatter_beyond_sigmas": _plain(verdict.night.floor),
            "alternatives": [_alternative(row) for row in verdict.alternatives],
            "hypotheses": [_hypothesis(verdict.night, one) for one in verdict.ranked[:MOST_HYPOTHESES]],
            "motions": [_motion(motion) for motion in verdict.motions],
        }
    elif residuals:
        judged["sentence"] = unmeasured(residuals)
    pairs = zip(residuals, identities or [None] * len(residuals), strict=True)
    judged["questions"] = questions(residuals)
    judged["places"] = [_place(residual, identity) for residual, identity in pairs]
    return judged


def questions(residuals) -> list[str]:
    """What stands elsewhere where a body does not show: one sentence for each remedy that frames share."""
    from appulse.astrometry import night_questions

    asked = []
    for frames, words in night_questions(residuals):
        many = f" (and so on {len(frames)} frames)" if len(frames) > 1 else ""
        asked.append(f"{frames[0]}: {words}{many}")
    return asked


def unmeasured(residuals) -> str:
    """What a run says that measured nothing: where the bodies do not show, and what may be why.

    Parameters
    ----------
    residuals : sequence of Residual
        One or more, none of them seen.

    Returns
    -------
    str

    Examples
    --------
    >>> from appulse.astrometry import Prediction, Residual
    >>> unmeasured([Residual("a.fits", "2027-05-04T22:00:00", "7", Prediction("7", 246.0, -24.0))])
    'Nothing measured: (7) Iris does not show on a.fits. The flags say why.'
    """
    from appulse.astrometry import night_questions
    from appulse.bodies import body_label

    frames = list(dict.fromkeys(residual.frame for residual in residuals))
    names = list(dict.fromkeys(residual.designation for residual in residuals))
    who = body_label(names[0]) if len(names) == 1 else f"of {len(names)} bodies none"
    where = f"none of {len(frames)} frames" if len(names) == 1 else f"any of {len(frames)} frames"
    words = f"Nothing measured: {who} shows on {where if len(frames) > 1 else frames[0]}"
    if len(frames) == 1 and len(names) == 1:
        words = f"Nothing measured: {who} does not show on {frames[0]}"
    for shared, question in night_questions(residuals)[:1]:
        # The same of each frame, but for its own S/N.
        source = re.sub(r"(source) of S/N \d+", r"\1", question)
        on = f"on {len(shared)} of them" if len(frames) > 1 else "there"
        question_words, _, remedy = source.partition("? ")
        return f"{words}; {on} {question_words}? Try {remedy}."
    return f"{words}. The flags say why."


def doubts(verdict) -> list[str]:
    """What these data cannot tell, in words."""
    from appulse.bodies import body_label

    night, words = verdict.night, []
    if verdict.cause == "can't tell":
        rivals = ", ".join(verdict.causes)
        words.append(
            f"which it is: {rivals}; {verdict.what_would_tell} would tell"
            if rivals
            else "what it is: none of the causes that are tried fits these frames"
        )
    if verdict.cause == "clock or orbit":
        words.append(f"clock and orbit look alike along one track; {verdict.what_would_tell} would tell")
    if verdict.besides:
        may = "is" if verdict.is_besides_sure else "may be"
        words.append(f"what {may} off besides: {verdict.besides_words}")
    if verdict.is_whose_orbit_open:
        words.append("whose orbit is off, which the clock's offset depends on")
    if verdict.leans:
        name, sigma, times = verdict.leans
        words.append(
            f"whether the stated error of {body_label(name)} holds, {sigma:.2g} arcsec along its track: "
            f"an orbit off by {times:.0f} times as much looks like this clock"
        )
    if not night.corrected:
        words.append("without stars on every frame the plate's own offset stays in the residuals")
    if len(set(night.frame)) == 1:
        words.append("one frame cannot show a wrong rate")
    sigma = verdict.clock_sigma_s
    if not sigma > 0:
        words.append("without a predicted motion the clock cannot be judged")
    elif sigma > 1.0:
        words.append(f"clock errors below {3 * sigma:.0f} s do not show at this rate (3 sigma)")
    return words


def is_noteworthy(residual, identity) -> bool:
    """Whether something else could be the dot, or its brightness is wrong."""
    # An object that the place lies on is not a rival: passes before them are what is photographed.
    rivals = [kind for kind in identity.others["kind"] if kind != "object"]
    wrong = abs(identity.magnitude_difference) > 3 * identity.magnitude_sigma
    return bool(residual.seen and (rivals or wrong))


def suspicions(residuals, identities) -> list[str]:
    """A sentence for each place where something else could be the dot, or the brightness is wrong."""
    pairs = zip(residuals, identities, strict=True)
    return [
        f"{residual.frame}: {identity.sentence}"
        for residual, identity in pairs
        if is_noteworthy(residual, identity)
    ]


def write_judgement(judged: dict, path: Path, overwrite: bool = False) -> Path:
    """Write a judgement as YAML; returns the path."""
    import yaml

    from appulse.formats import write_text

    text = yaml.safe_dump(judged, sort_keys=False, allow_unicode=True, width=110, default_flow_style=None)
    return write_text(path, text, overwrite)


def _plain(value, digits: int = 6):
    """A number of so many significant digits, None for NaN."""
    import numpy as np

    if value is None or np.ma.is_masked(value) or not np.isfinite(float(value)):
        return None
    return float(f"{float(value):.{digits}g}")


def _offset(value, covariance) -> dict:
    import numpy as np

    sigma = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    return {
        "east": _plain(value[0]), "north": _plain(value[1]),
        "sigma_east": _plain(sigma[0]), "sigma_north": _plain(sigma[1]),
    }  # fmt: skip


def _clock(verdict) -> dict:
    return {
        "offset_s": _plain(verdict.clock_offset_s), "sigma_s": _plain(verdict.clock_sigma_s),
        "stated_sigma_s": _plain(verdict.night.clock_sigma_s), "drifts": bool(verdict.drifts),
        "drift_s_per_h": _plain(verdict.clock_drift[0]),
        "sigma_drift_s_per_h": _plain(verdict.clock_drift[1]),
    }  # fmt: skip


def _alternative(row) -> dict:
    return {
        "cause": str(row["cause"]), "body": str(row["body"]) or None, "chi2": _plain(row["chi2"]),
        "free_parameters": int(row["parameters"]), "degrees_of_freedom": int(row["dof"]),
        "probability": _plain(row["probability"]), "bic": _plain(row["bic"]), "of": str(row["words"]),
    }  # fmt: skip


def _hypothesis(night, hypothesis) -> dict:
    """Causes together, with their chance among all that were weighed, by evidence and prior odds."""
    bodies = [night.names[piece.body] for piece in hypothesis.parts if piece.body >= 0]
    return {
        "causes": list(hypothesis.causes) or ["all well"], "bodies": bodies,
        "chance": _plain(hypothesis.posterior, 3), "log_evidence": _plain(hypothesis.log_evidence),
        "prior_odds": [_plain(piece.odds, 3) for piece in hypothesis.parts], "chi2": _plain(hypothesis.chi2),
    }  # fmt: skip


def _motion(motion) -> dict:
    return {
        "body": motion.name, "rate_arcsec_h": _plain(motion.rate), "sigma_rate": _plain(motion.sigma_rate),
        "motion_pa": _plain(motion.motion_pa), "sigma_pa": _plain(motion.sigma_pa),
        "drift_east_arcsec_h": _plain(motion.drift[0]), "drift_north_arcsec_h": _plain(motion.drift[1]),
        "curved": bool(motion.curved),
    }  # fmt: skip


def _place(residual, identity) -> dict:
    """Budget, brightness, limit and neighbours of one body on one frame."""
    judged = {"frame": residual.frame, "body": residual.designation, "seen": bool(residual.seen)}
    if residual.flag:
        judged["flag"] = residual.flag
    if residual.seen:
        judged["budget"] = _budget(residual)
    judged |= {"magnitude": _plain(residual.mag_obs), "detection_limit": _plain(residual.limit_mag)}
    if identity is None:
        return judged
    judged["magnitude_minus_predicted"] = _plain(identity.magnitude_difference)
    judged["identity"] = identity.sentence
    judged["within_reach"] = [
        {"kind": str(row["kind"]), "name": str(row["name"]), "separation": _plain(row["separation"], 4),
         "magnitude": _plain(row["mag"], 4), "words": str(row["words"])}
        for row in identity.others
    ]  # fmt: skip
    return judged


def _budget(residual) -> dict:
    from appulse.astrometry import error_budget

    budget = error_budget(residual)
    names = ("sigma_ra", "sigma_dec", "sigma_along", "sigma_across")
    parts = {
        str(line["part"]): {name: _plain(line[name].to_value("arcsec"), 4) for name in names}
        for line in budget.lines
    }
    return {
        "chi2": _plain(budget.chi2), "probability": _plain(budget.probability), "sentence": budget.sentence,
        "parts": parts,
    }  # fmt: skip
