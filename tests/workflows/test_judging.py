"""The judgement's questions: what frames share is asked once, also of a night that shows no body."""

import numpy as np

from appulse.astrometry.elsewhere import OtherPlace
from appulse.astrometry.prediction import Prediction
from appulse.astrometry.residual import Residual
from appulse.workflows.judging import judgement, questions

HOUR = (
    "an unlisted source of S/N 20 stands 60 min of motion ahead: is DATE-OBS in local time? --time-shift +1h"
)


def lost(number, log_ratio=None):
    stands = [OtherPlace(2, log_ratio, 20.0, (246.0 + number / 50, -24.0))] if log_ratio is not None else []
    place = Prediction("7", 246.0, -24.0, 30.0, 0.0, 10.0, np.full((2, 2), np.nan))
    return Residual(
        f"f{number}.fits", "2027-05-04T22:00:00", "7", place, flag="not seen", elsewhere=tuple(stands)
    )


def test_one_remedy_of_many_frames_is_one_question():
    night = [lost(1, 3.0), lost(2, 4.0), lost(3)]
    [asked] = questions(night)
    assert asked == f"f1.fits: {HOUR} (and so on 2 frames)"
    judged = judgement(None, night)
    assert judged["verdict"] == "nothing measured"
    assert judged["questions"] == [asked]
    assert judged["sentence"] == (
        "Nothing measured: (7) Iris shows on none of 3 frames; on 2 of them an unlisted source stands 60 min "
        "of motion ahead: is DATE-OBS in local time? Try --time-shift +1h."
    )


def test_no_question_where_the_body_shows():
    assert questions([lost(1)]) == []
    assert questions([lost(1, -0.5)]) == []
