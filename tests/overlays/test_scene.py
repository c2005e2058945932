"""The scene: symbols that leave the body visible, words at their anchors, names before dates."""

import numpy as np
import pytest
from sky_frames import make_frame

from appulse.catalogues.deepsky import Outline, ellipse_ring
from appulse.overlays.labels import Label, place_labels
from appulse.overlays.scene import (
    BAR,
    GAP,
    PlaceMark,
    Target,
    emptier_corner,
    furniture,
    outlines_scene,
    ring,
    short_arcs,
    track_scene,
)
from appulse.overlays.ticks import HOUR_S, choose_step_s

SIZE, WINDOW = 10.0, (0.0, 0.0, 800.0, 400.0)
LINE = np.column_stack([np.linspace(50.0, 750.0, 71), np.full(71, 200.0)])
UP = np.array([0.0, 1.0])


def mark(begin, end):
    """The body moves along the line from x = begin to x = end while the shutter is open."""
    trail = np.array([[begin, 200.0], [end, 200.0]])
    return PlaceMark(trail.mean(axis=0), trail, np.empty((0, 2)))


def scene_of(marks=(), ticks=(), **options):
    look = {"window": WINDOW, "colour": "#f0a830", "size": SIZE, "width": 1.0, "name": "(7) Iris"}
    return track_scene(LINE, ticks, list(marks), **(look | options))


def hour_ticks(spacing):
    count = int(700 // spacing)
    return [(np.array([60.0 + spacing * i, 200.0]), UP, f"{i % 24:02d}:00") for i in range(count)]


def placed(scene, letter=7.0):
    def measure(label):
        return letter * len(label.text), 14

    return place_labels(scene.labels, WINDOW, measure, blocked=scene.blocked)


@pytest.mark.parametrize("ends", [(400.0, 400.0), (380.0, 420.0)])
def test_the_track_opens_at_the_body_and_two_bars_stand_at_the_opening(ends):
    scene = scene_of([mark(*ends)])
    points = np.vstack([line.points for line in scene.lines])
    inner = (points[:, 0] > ends[0] - GAP * SIZE + 1e-6) & (points[:, 0] < ends[1] + GAP * SIZE - 1e-6)
    assert not inner.any()
    bars = [line.points for line in scene.lines if line.width > 1.0]
    assert [bar[0, 0] for bar in bars] == pytest.approx([ends[0] - GAP * SIZE, ends[1] + GAP * SIZE])
    assert all(np.ptp(bar[:, 1]) == pytest.approx(2 * BAR * SIZE) for bar in bars)


def test_without_bars_the_line_runs_on():
    scene = scene_of([mark(400.0, 400.0)], bars=False, arrow=False)
    (line,) = scene.lines
    assert np.ptp(line.points[:, 0]) == pytest.approx(700.0)


def test_a_tick_within_the_opening_is_left_out():
    ticks = [(np.array([x, 200.0]), UP, "22:00") for x in (300.0, 405.0)]
    scene = scene_of([mark(400.0, 400.0)], ticks)
    assert [label.x for label in scene.labels if label.text == "22:00"] == [300.0]


def test_names_come_before_dates_and_the_first_and_last_dates_before_those_between():
    found = [label.text for label, *_ in placed(scene_of([mark(400.0, 400.0)], hour_ticks(30.0)))]
    assert found[:3] == ["(7) Iris", "00:00", "22:00"]
    assert len(found) < 24


def test_words_stay_at_their_tick_or_are_dropped():
    for label, box, leader in placed(scene_of([mark(400.0, 400.0)], hour_ticks(25.0))):
        near = np.clip([label.x, label.y], box[:2], box[2:])
        assert np.hypot(*(near - [label.x, label.y])) == pytest.approx(label.gap, abs=0.5 * label.gap)
        assert leader is None


def test_words_that_must_stand_are_written_in_a_crowd_and_led_to_their_anchor():
    labels = [Label(400.0, 200.0, f"body {i}", must=True) for i in range(12)]
    found = place_labels(labels, WINDOW, lambda label: (60, 14))
    assert len(found) == 12
    assert any(leader is not None for *_, leader in found)
    assert len(place_labels(labels * 20, WINDOW, lambda label: (60, 14), cover=False)) < 240


def test_lines_are_rather_not_covered():
    label = Label(100.0, 100.0, "22:00", angle=90.0)
    ((_, free, _),) = place_labels([label], WINDOW, lambda label: (30, 10))
    above = np.column_stack([np.linspace(80, 120, 30), np.full(30, 111.0)])
    ((_, other, _),) = place_labels([label], WINDOW, lambda label: (30, 10), avoid=above)
    assert free[1] > 100.0 > other[3]


@pytest.mark.parametrize(("speed", "span_h", "step"), [(20.0, 6.0, HOUR_S), (4.0, 6.0, 2 * HOUR_S)])
def test_a_track_of_a_few_hours_is_ticked_hourly_where_ticks_stay_apart(speed, span_h, step):
    assert choose_step_s(speed, 60.0, span_h) == step


def test_an_object_without_position_angle_is_four_short_arcs_with_its_name_on_a_leader():
    frame = make_frame()
    ra, dec = (float(v) for v in frame.to_sky(200.0, 150.0))
    circle = Outline("X", "circle", ra, dec, 20.0, 20.0, 0.0, rings=(ellipse_ring(ra, dec, 20.0, 20.0, 0.0),))
    scene = outlines_scene(Target(frame, *frame.shape[::-1], SIZE), [circle])
    assert len(scene.lines) == 4
    assert scene.labels[0].leader


def test_a_corner_of_a_circle_shows_something():
    whole = ring((0.0, 0.0), 100.0, 721)
    top = whole[np.abs(whole[:, 0]) < 20.0]
    assert len(short_arcs(top[top[:, 1] > 0], np.zeros(2))) == 1


def test_the_furniture_stands_in_the_emptier_corner():
    frame = make_frame()
    target = Target(frame, *frame.shape[::-1], SIZE)
    low = np.column_stack([np.linspace(0.0, 80.0, 50), np.full(50, 30.0)])
    crowded = track_scene(low, [], [], window=target.window, colour="#ffffff", size=SIZE, width=1.0)
    assert not emptier_corner(target, crowded)
    xs = np.concatenate([line.points[:, 0] for line in furniture(target, left=False).lines])
    assert xs.min() > target.width / 2
