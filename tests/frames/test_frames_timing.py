"""Times out of headers: each keyword, each meaning, each contradiction its own sentence."""

import numpy as np
import pytest
from astropy.io import fits
from astropy.table import Table
from astropy.time import Time

from appulse.errors import FrameTimeError
from appulse.frames.exposure import read_exposure
from appulse.frames.header import Cards

TOL_MILLISECOND_S = 1e-3
"""Headers write milliseconds."""


def exposure(*cards, **options):
    """Exposure and notes of a header made of (key, value[, comment]) cards."""
    return read_exposure(Cards(fits.Header(cards), "m1.fits"), **options)


def seconds_off(time, text):
    return abs((time - Time(text, scale="utc")).sec)


EXPTIME = ("EXPTIME", 60.0)


@pytest.mark.parametrize(
    "cards",
    [
        [("DATE-BEG", "2027-05-04T22:00:00"), EXPTIME],
        [("DATE-AVG", "2027-05-04T22:00:30"), EXPTIME],
        [("DATE-END", "2027-05-04T22:01:00"), EXPTIME],
        [("DATE-BEG", "2027-05-04T22:00:00"), ("DATE-END", "2027-05-04T22:01:00")],
        [("DATE-OBS", "2027-05-04T22:00:00Z"), EXPTIME],
        [("DATE_OBS", "2027-05-04T22:00:30", "Observation midpoint UTC"), EXPTIME],
        [("DATE-OBS", "2027-05-04T22:01:00", "end of exposure"), EXPTIME],
        [("DATE-OBS", "2027-05-04"), ("TIME-OBS", "22:00:00"), EXPTIME],
        [("DATE-OBS", "2027/05/04"), ("UT", "22:00:00.00"), EXPTIME],
        [("DATE-OBS", "2027-124T22:00:00.000"), EXPTIME],
        [("DATE-OBS", "20270504"), ("TIME-OBS", "22:00:00"), EXPTIME],
        [("DATE-OBS", "04/05/2027"), ("TIME-OBS", "22:00:00"), EXPTIME],
        [("MJD-OBS", Time("2027-05-04T22:00:00").mjd), EXPTIME],
        [("JD-OBS", Time("2027-05-04T22:00:00").jd), EXPTIME],
        [("MJD-OBS", Time("2027-05-04T22:00:00").jd), EXPTIME],
        [("DATE-OBS", "2027-05-04"), ("MJD-OBS", Time("2027-05-04T22:00:00").mjd), EXPTIME],
        [("MJD-OBS", str(Time("2027-05-04T22:00:00").mjd)), EXPTIME],
        [("DATE-OBS", "2027-05-04T22:00:37"), ("TIMESYS", "TAI"), EXPTIME],
        [("DATE-OBS", "2027-05-04T22:00:18"), ("TIMESYS", "GPS"), EXPTIME],
        [("DATE-OBS", "2027-05-04T22:01:09.184"), ("TIMESYS", "TT"), EXPTIME],
        [("DATE-OBS", "2027-05-04T22:00:00"), ("TIMESYS", "UTC(NTP)"), EXPTIME],
        [("DATE-OBS", "2027-05-04T22:00:00"), ("EXPOSURE", 60000, "[ms] shutter open")],
        [("DATE-OBS", "2027-05-04T22:00:00"), ("ITIME", "60.0")],
        [("DATE-OBS", "2027-05-04T22:00:00"), ("MJD-OBS", Time("2027-05-04T22:00:00").mjd), EXPTIME],
        [("DATE-OBS", "2027-05-04T22:00:00"), ("DATE-AVG", "2027-05-04T22:00:30"), EXPTIME],
    ],
    ids=lambda cards: " ".join(str(card[:2]) for card in cards)[:60],
)
def test_mid_exposure(cards):
    got, _ = exposure(*cards)
    assert (
        seconds_off(got.mid, "2027-05-04T22:00:30") < 0.06
    )  # JD-OBS as a double: 40 microseconds; GPS exact
    assert got.seconds == pytest.approx(60.0, abs=TOL_MILLISECOND_S)
    assert got.span_s == pytest.approx(60.0, abs=TOL_MILLISECOND_S)


def test_an_exposure_of_many_hours_may_be_in_milliseconds():
    got, notes = exposure(("DATE-OBS", "2027-05-04T22:00:00"), ("EXPTIME", 120000.0))
    assert got.seconds == 120000.0
    assert any("in milliseconds, it would be 120 s; give --exposure" in note for note in notes)
    _, notes = exposure(("DATE-OBS", "2027-05-04T22:00:00"), ("EXPTIME", 10000.0))
    assert not any("milliseconds" in note for note in notes)


def test_ut1_is_turned_to_utc():
    got, notes = exposure(("DATE-OBS", "2020-01-01T00:00:00"), ("TIMESYS", "UT1"), EXPTIME)
    # UT1-UTC was -0.177 s on that day (IERS Bulletin B 385).
    assert (got.start - Time("2020-01-01T00:00:00", scale="utc")).sec == pytest.approx(0.177, abs=0.001)
    assert any("UT1" in note for note in notes)


def test_leap_second_is_a_second():
    got, _ = exposure(("DATE-OBS", "2016-12-31T23:59:60.000"), ("EXPTIME", 1.0))
    assert got.start.isot == "2016-12-31T23:59:60.000"
    assert got.end.isot == "2017-01-01T00:00:00.000"


def test_lone_time_says_what_it_could_mean():
    _, notes = exposure(("DATE-OBS", "2027-05-04T22:00:00"), EXPTIME)
    assert any("start" in n and "middle" in n and "--time-is" in n and "30 s" in n for n in notes)


@pytest.mark.parametrize(
    ("time_is", "mid"), [("start", "22:00:30"), ("mid", "22:00:00"), ("end", "21:59:30")]
)
def test_time_is(time_is, mid):
    got, notes = exposure(("DATE-OBS", "2027-05-04T22:00:00"), EXPTIME, time_is=time_is)
    assert got.mid.isot == f"2027-05-04T{mid}.000"
    assert not any("FITS standard" in note for note in notes)


def test_given_time_wins_and_says_so():
    got, notes = exposure(
        ("DATE-OBS", "1999-01-01T00:00:00"),
        EXPTIME,
        time="2027-05-04 22:00:00Z",
        time_is="mid",
        clock_sigma_s=0.5,
    )
    assert got.mid.isot == "2027-05-04T22:00:00.000"
    assert got.clock_sigma_s == 0.5
    assert any("ignored" in note for note in notes)


def test_keyword_may_be_picked():
    cards = [("DATE-OBS", "2027-05-04T22:00:00"), ("MJD-OBS", Time("2027-05-04T20:00:00").mjd), EXPTIME]
    assert exposure(*cards, time="MJD-OBS")[0].start.isot == "2027-05-04T20:00:00.000"
    assert exposure(*cards, time="date-obs", time_is="mid")[0].mid.isot == "2027-05-04T22:00:00.000"


@pytest.mark.parametrize(
    ("cards", "words"),
    [
        ([EXPTIME], ["no time", "--time"]),
        ([("DATE-OBS", "2027-05-04T22:00:00")], ["--exposure", "EXPTIME"]),
        ([("DATE-OBS", "2027-05-04"), EXPTIME], ["no time of day", "--time"]),
        ([("DATE-OBS", "19930417"), EXPTIME], ["no time of day", "--time"]),
        ([("DATE-OBS", "last night"), EXPTIME], ["'last night'", "--time"]),
        ([("DATE-OBS", "2027-13-04T22:00:00"), EXPTIME], ["month", "--time"]),
        ([("DATE-OBS", "2027-05-04T23:59:60"), EXPTIME], ["leap second", "--time"]),
        ([("DATE-OBS", "2027-05-04T22:00:00+02:00"), EXPTIME], ["time zone", "--time"]),
        ([("DATE-OBS", "2027-05-04T22:00:00", "local time of start"), EXPTIME], ["local time", "--time"]),
        ([("DATE-OBS", "2027-05-04T22:00:00"), ("TIMESYS", "LOCAL"), EXPTIME], ["TIMESYS", "--time"]),
        ([("DATE-OBS", "2027-05-04T22:00:00Z"), ("TIMESYS", "TT"), EXPTIME], ["TIMESYS", "ends in Z"]),
        (
            [("DATE-OBS", "2027-05-04T22:00:00"), ("MJD-OBS", 61529.0), EXPTIME],
            ["DATE-OBS 2027-05-04T22:00:00.000", "MJD-OBS 2027-05-0", "--time MJD-OBS", "--time DATE-OBS"],
        ),
        (
            [("DATE-OBS", "2027-05-04T22:00:00"), ("MJD-OBS", Time("2027-05-04T20:00:00").mjd), EXPTIME],
            ["7200.000 s", "local time"],
        ),
        (
            [("DATE-BEG", "2027-05-04T22:00:00"), ("DATE-END", "2027-05-04T22:02:00"), EXPTIME],
            ["DATE-BEG", "DATE-END", "60 s", "120.000 s", "--exposure"],
        ),
        (
            [("DATE-OBS", "2027-05-04T22:00:00"), ("DATE-END", "2027-05-04T22:01:12"), EXPTIME],
            ["72.000 s apart", "60 s", "--time DATE-OBS", "--exposure"],
        ),
        (
            [("DATE-BEG", "2027-05-04T22:02:00"), ("DATE-END", "2027-05-04T22:00:00"), EXPTIME],
            ["DATE-BEG", "DATE-END", "differ"],
        ),
        ([("DATE-OBS", "2027-05-04T22:00:00"), ("EXPTIME", "long")], ["EXPTIME", "not a number"]),
        ([("DATE-OBS", "2027-05-04T22:00:00"), ("EXPTIME", -5.0)], ["EXPTIME -5.0", "--exposure"]),
        (
            [("DATE-OBS", "2027-05-04T22:00:00"), ("EXPTIME", 60.0), ("EXPOSURE", 90.0)],
            ["EXPTIME 60.0", "EXPOSURE 90.0", "--exposure"],
        ),
        (
            [("DATE-OBS", "2027-05-04T22:00:00"), ("UT", "20:00:00"), EXPTIME],
            ["2 h off", "UT 20:00:00", "--time"],
        ),
        (
            [
                ("DATE-OBS", "2027-05-04T22:00:00"),
                ("DATE-LOC", "2027-05-04T22:00:00"),
                ("TIMEZONE", 2),
                EXPTIME,
            ],
            ["local time", "TIMEZONE 2", "--time"],
        ),
        (
            [
                ("DATE-OBS", "2027-05-04T22:00:00"),
                ("DATE-LOC", "2027-05-04T22:00:00"),
                ("SITELONG", -96.5),
                EXPTIME,
            ],
            ["local time", "SITELONG -96.5", "--time"],
        ),
        ([("MJD-OBS", -4.0), EXPTIME], ["MJD-OBS", "--time"]),
        ([("DATE-OBS", "1890-05-04T22:00:00"), EXPTIME], ["1960", "--time"]),
    ],
    ids=lambda value: " ".join(value)[:50] if isinstance(value[0], str) else "",
)
def test_named(cards, words):
    from appulse.errors import FrameError

    with pytest.raises(FrameError) as caught:
        exposure(*cards)
    text = str(caught.value)
    assert text.startswith("m1.fits: ")
    for word in words:
        assert word in text


@pytest.mark.parametrize(
    ("more", "noted"),
    [
        ([("DATE-LOC", "2027-05-05T00:00:00"), ("SITELONG", 20.5)], False),
        ([("DATE-LOC", "2027-05-04T22:00:00"), ("TIMEZONE", 0)], False),
        ([("DATE-LOC", "2027-05-04T22:00:00"), ("SITELONG", -3.0)], True),
        ([("UT", "22:00:00.4")], False),
        ([("UT", "22:07:13")], False),
    ],
)
def test_other_clocks_may_agree(more, noted):
    _, notes = exposure(("DATE-OBS", "2027-05-04T22:00:00"), EXPTIME, *more)
    assert any("local" in note for note in notes) == noted


def test_unknown_keyword_is_named():
    with pytest.raises(FrameTimeError, match="it has: DATE-OBS"):
        exposure(("DATE-OBS", "2027-05-04T22:00:00"), EXPTIME, time="MJD-OBS")


def test_middle_alone_is_enough_for_the_place():
    got, notes = exposure(("DATE-AVG", "2027-05-04T22:00:00"))
    assert (got.seconds, got.mid.isot) == (0.0, "2027-05-04T22:00:00.000")
    assert any("no trail" in note for note in notes)


# --- frames that the telescope has stacked

SPAN = [("DATE-BEG", "2027-05-04T22:00:00"), ("DATE-END", "2027-05-04T22:20:00")]


@pytest.mark.parametrize(
    "more",
    [
        [("NCOMBINE", 60), ("EXPTIME", 10.0)],
        [("NCOMBINE", 60), ("EXPTIME", 600.0)],
        [("STACKCNT", 60), ("SUBEXP", 10.0)],
        [("NSUBEXP", 60), ("XPOSURE", 600.0)],
        [("NCOMBINE", 60), ("LIVETIME", 600.0), ("EXPTIME", 10.0)],
        [("NCOMBINE", "60"), ("EXPTIME", 10.0), ("EXPOSURE", 600.0)],
        [("XPOSURE", 600.0), ("SUBEXP", 10.0)],
    ],
    ids=str,
)
def test_stack_is_sorted_by_arithmetic(more):
    got, _ = exposure(*SPAN, *more)
    assert (got.n_sub, got.span_s) == (60, 1200.0)
    assert got.seconds == pytest.approx(600.0)
    assert got.mid.isot == "2027-05-04T22:10:00.000"


def test_stack_takes_the_light_weighted_middle():
    got, notes = exposure(*SPAN, ("DATE-AVG", "2027-05-04T22:08:20"), ("NCOMBINE", 60), ("SUBEXP", 10.0))
    assert got.mid.isot == "2027-05-04T22:08:20.000"
    assert not any("evenly" in note for note in notes)


def test_stack_without_middle_says_so():
    _, notes = exposure(*SPAN, ("NCOMBINE", 60), ("SUBEXP", 10.0))
    assert any("600 s" in note and "evenly" in note for note in notes)


@pytest.mark.parametrize(
    ("cards", "words"),
    [
        ([*SPAN, ("NCOMBINE", 60), ("EXPTIME", 5000.0)], ["5000", "1200", "--exposure"]),
        ([*SPAN, ("NCOMBINE", 60), ("XPOSURE", 600.0), ("SUBEXP", 20.0)], ["1200 s", "600.0", "--exposure"]),
        ([*SPAN, ("NCOMBINE", 60), ("SUBEXP", 10.0), ("EXPTIME", 77.0)], ["77.0", "--exposure"]),
        ([*SPAN, ("NCOMBINE", 200), ("SUBEXP", 10.0)], ["do not fit", "--exposure"]),
        (
            [*SPAN, ("NCOMBINE", 60), ("SUBEXP", 10.0), ("DATE-AVG", "2027-05-04T22:18:00")],
            ["DATE-AVG", "gaps"],
        ),
        ([SPAN[0], ("NCOMBINE", 60), ("SUBEXP", 10.0)], ["only one end", "DATE-END", "--time-is mid"]),
        ([SPAN[0], ("NCOMBINE", 60), ("EXPTIME", 10.0)], ["one exposure or all", "--exposure"]),
        ([*SPAN, ("NCOMBINE", 2.5), ("EXPTIME", 10.0)], ["NCOMBINE 2.5", "number of exposures"]),
    ],
    ids=lambda value: "-".join(value)[:40] if isinstance(value[0], str) else "",
)
def test_stack_contradictions_are_named(cards, words):
    with pytest.raises(FrameTimeError) as caught:
        exposure(*cards)
    for word in words:
        assert word in str(caught.value)


def test_light_with_gaps_around_a_given_middle():
    got, notes = exposure(*SPAN, ("DATE-AVG", "2027-05-04T22:09:00"), ("EXPTIME", 900.0))
    assert (got.mid.isot, got.span_s, got.seconds) == ("2027-05-04T22:09:00.000", 1200.0, 900.0)
    assert any("gaps" in note for note in notes)


def test_stack_by_telapse():
    got, _ = exposure(SPAN[0], ("TELAPSE", 1200.0), ("NCOMBINE", 60), ("XPOSURE", 600.0))
    assert got.end.isot == "2027-05-04T22:20:00.000"


@pytest.mark.parametrize("as_mjd", [False, True])
def test_table_of_exposures(as_mjd):
    start = Time(["2027-05-04T22:00:00", "2027-05-04T22:09:00"])
    end = Time(["2027-05-04T22:01:00", "2027-05-04T22:12:00"])
    table = Table({"START": start.mjd, "END": end.mjd} if as_mjd else {"START": start.isot, "END": end.isot})
    got, _ = exposure(("EXPTIME", 240.0), intervals=table)
    # weighted: (0.5 min x 1 + 10.5 min x 3) / 4 = 8 min
    assert seconds_off(got.mid, "2027-05-04T22:08:00") < TOL_MILLISECOND_S
    assert (got.n_sub, got.seconds, got.span_s) == (2, pytest.approx(240.0), pytest.approx(720.0))
    assert len(got.intervals) == 2


def test_table_against_header_is_named():
    table = Table({"START": ["2027-05-04T22:00:00"], "END": ["2027-05-04T22:01:00"]})
    with pytest.raises(FrameTimeError, match=r"DATE-BEG .* contradicts the table EXPOSURES"):
        exposure(("DATE-BEG", "2027-05-04T21:00:00"), EXPTIME, intervals=table)


def test_moments_carry_equal_light():
    table = Table({"START": ["2027-05-04T22:00:00", "2027-05-04T22:09:00"],
                   "END": ["2027-05-04T22:01:00", "2027-05-04T22:12:00"]})  # fmt: skip
    got, _ = exposure(("EXPTIME", 240.0), intervals=table)
    after_s = (got.moments(400) - got.start).sec
    assert np.mean(after_s) == pytest.approx(480.0, abs=1e-6)
    assert np.sum(after_s < 61.0) == 100
