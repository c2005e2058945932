"""The judgement's questions: what frames share is asked once, also of a night that shows no body."""

import numpy as np

from appulse.astrometry.prediction import Prediction
from appulse.astrometry.residual import Residual
from appulse.workflows.judging import judgement, questions

HOUR = "a source stands 60 min of motion ahead: is DATE-OBS in local time? --time-shift +1h"


def lost(number, *notes):
    place = Prediction("7", 246.0, -24.0, 30.0, 0.0, 10.0, np.full((2, 2), np.nan))
    return Residual(f"f{number}.fits", "2027-05-04T22:00:00", "7", place, flag="not seen", notes=notes)


def test_one_remedy_of_many_frames_is_one_question():
    night = [lost(1, "noise: stated", HOUR), lost(2, HOUR), lost(3, "limit of 17.0 mag")]
    [asked] = questions(night)
    assert asked == f"f1.fits: {HOUR} (and so on 2 frames)"
    judged = judgement(None, night)
    assert judged["verdict"] == "nothing measured"
    assert judged["questions"] == [asked]
    assert judged["sentence"] == (
        "Nothing measured: (7) Iris shows on none of 3 frames; on 2 of them a source stands 60 min of motion "
        "ahead: is DATE-OBS in local time? Try --time-shift +1h."
    )


def test_no_question_where_the_body_shows():
    assert questions([lost(1, "noise: stated")]) == []
