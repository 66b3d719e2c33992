"""What the joint network says before the bar is sought, tried with a stand-in network."""

from dataclasses import dataclass

import numpy as np
import pytest

from barpath.sight.firstlook import held, look_over
from barpath.sight.jointnet import POINTS
from tests.test_jointnet import PICTURE, FakeNetwork, bar_of, person


@dataclass
class MadeSample:
    index: int
    image: np.ndarray


SAMPLES = [MadeSample(8 * k, PICTURE) for k in range(24)]


def slanted(share):
    """The made lifter with everything across the bench foreshortened."""
    xy = person(600, 300)
    xy[:, 0] = 600 + share * (xy[:, 0] - 600)
    return xy


def test_the_lifter_is_read_all_through_the_stretch():
    look = look_over(SAMPLES, FakeNetwork(person(600, 300)))
    assert look.sure
    assert look.at[0] == 0 and look.at[-1] == 23
    assert len(look.at) == len(look.readings) == 12


def test_without_a_lifter_nothing_is_sure():
    look = look_over(SAMPLES, FakeNetwork())
    assert not look.sure
    assert np.isnan(look.span_in_limbs())
    assert look.plates() == []


def test_the_bar_looks_the_longer_the_more_from_the_feet():
    spans = [look_over(SAMPLES, FakeNetwork(slanted(c))).span_in_limbs() for c in (1, 0.6, 0.1)]
    assert spans[0] > spans[1] > spans[2]
    # Plates 1.5 apart; elbow to wrist, seen as long as it is, 0.24 units of the made lifter.
    assert spans[0] == pytest.approx(1.5 / np.hypot(0.05, 0.23), rel=0.02)


def network_reading_plates(*state):
    """The made lifter, of whose plates the network says no more than this state."""
    network = FakeNetwork(person(600, 300))
    plain = network._one

    def one(square):
        xy, spread, states, chance = plain(square)
        states = states.copy()
        states[[POINTS.index("left_plate"), POINTS.index("right_plate")]] = state
        return xy, spread, states, chance

    network._one = one
    return network


def test_a_bar_without_plates_looks_as_long_by_its_shaft():
    network = network_reading_plates(0.0, 0.1, 0.9)
    look = look_over(SAMPLES, network)
    assert look.bare and not look_over(SAMPLES, FakeNetwork(person(600, 300))).bare
    # The shaft's ends are 1.3 apart; plates lie 1.45 m apart where it is 1.31 m long.
    expected = 1.3 * 1.45 / 1.31 / np.hypot(0.05, 0.23)
    assert look.span_in_limbs() == pytest.approx(expected, rel=0.02)


@pytest.mark.parametrize(
    ("absent", "bare"), [((0.91, 0.47), True), ((0.98, 0.06), False), ((0.08, 0.02), False)]
)
def test_a_bar_is_bare_by_how_likely_plates_are_not_there(absent, bare):
    """As read of an empty bar on which one end is nearly a tie, of a bar with one end cut off."""
    network = FakeNetwork(person(600, 300))
    plain = network._one

    def one(square):
        xy, spread, state, chance = plain(square)
        state = state.copy()
        for side, share in zip(("left", "right"), absent, strict=True):
            state[POINTS.index(f"{side}_plate")] = (1 - share) / 2, (1 - share) / 2, share
        return xy, spread, state, chance

    network._one = one
    assert look_over(SAMPLES, network).bare is bare


def test_plates_are_named_the_surer_one_first():
    network = FakeNetwork(person(600, 300))
    plain = network._one

    def one(square):
        xy, spread, state, chance = plain(square)
        state = state.copy()
        state[POINTS.index("left_plate")] = 0.3, 0.6, 0.1
        return xy, spread, state, chance

    network._one = one
    (_, first), (_, second) = look_over(SAMPLES, network).plates()
    assert first == pytest.approx(network.people[0][POINTS.index("right_plate")])
    assert second == pytest.approx(network.people[0][POINTS.index("left_plate")])


def test_hands_are_on_the_right_bar_only():
    lifter = person(600, 300)
    network = FakeNetwork(lifter)
    look = look_over(SAMPLES, network)
    assert held({k: bar_of(lifter) for k in range(24)}, look, SAMPLES, network)
    elsewhere = bar_of(person(600, 60))
    assert not held({k: elsewhere for k in range(24)}, look, SAMPLES, network)


def test_a_bar_in_the_hands_of_another_lifter_is_held_too():
    """The first look takes the larger of two; the bar that was found is the other's."""
    larger, other = person(330, 300, 250), person(950, 300, 230)
    network = FakeNetwork(larger, other)
    look = look_over(SAMPLES, network)
    assert look.readings[0].xy_px == pytest.approx(larger)
    assert held({k: bar_of(other) for k in range(24)}, look, SAMPLES, network)


def test_ends_of_the_bar_are_expected_where_the_collars_are():
    lifter = person(600, 300)
    look = look_over(SAMPLES, FakeNetwork(lifter))
    shifted = np.tile(np.array([[1.0, 0.0, 25.0], [0.0, 1.0, 0.0]]), (len(SAMPLES), 1, 1))
    left, right = look.bar_ends(shifted)
    collars = lifter[[POINTS.index("right_collar"), POINTS.index("left_collar")], 0] + 25.0
    assert (right - left) / (collars[1] - collars[0]) == pytest.approx(1.372 / 1.312)
    assert left + right == pytest.approx(collars.sum())
    assert look_over(SAMPLES, FakeNetwork()).bar_ends(shifted) is None


@pytest.mark.parametrize(("turned", "near"), [(0, ""), (70, "left"), (-70, "right")])
def test_the_head_to_the_right_shows_the_left_side(turned, near):
    """The made lifter seen from the feet, and turned in the picture with the head to one side."""
    xy = person(600, 300)
    turn = np.deg2rad(turned)
    matrix = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    look = look_over(SAMPLES, FakeNetwork([600, 300] + (xy - [600, 300]) @ matrix.T))
    assert look.near_end() == near


def test_which_end_a_place_is_at():
    look = look_over(SAMPLES, FakeNetwork(person(600, 300)))
    places = look.readings[0].xy_px
    for end in ("left", "right"):
        there = places[POINTS.index(f"{end}_plate")] + [3.0, -4.0]
        assert look.end_at(int(look.at[0]), there) == end
    assert look.end_at(-1, places[0]) == ""


def test_a_round_thing_is_a_plate_where_one_is_read():
    look = look_over(SAMPLES, FakeNetwork(person(600, 300)))
    places = dict(zip(look.at.tolist(), (one.xy_px for one in look.readings), strict=True))
    plate, chest = POINTS.index("left_plate"), POINTS.index("left_shoulder")
    assert look.reads_plate({k: xy[plate] + [4.0, 4.0] for k, xy in places.items()}, 20.0)
    assert not look.reads_plate({k: xy[chest] for k, xy in places.items()}, 20.0)
    # Too few looks say nothing.
    assert look.reads_plate({k: xy[chest] for k, xy in list(places.items())[:2]}, 20.0)


def test_where_no_plate_is_read_anything_may_be_one():
    look = look_over(SAMPLES, network_reading_plates(0.05, 0.05, 0.9))
    assert look.reads_plate({int(k): np.array([5.0, 5.0]) for k in look.at}, 20.0)
