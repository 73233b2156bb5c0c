"""Sensor health gives the flags that ioos_qc gives, on open data.

Reference: ioos_qc 3 (PyPI), the IOOS implementation of QARTOD. Data: see ``health_support``.
Ours sees one reading at a time and none ahead; ioos_qc sees a whole array. Designed differences
are named where they are asserted.
"""

from __future__ import annotations

import numpy as np
import pytest

from envmon.clock import SECOND_US
from envmon.facts import Flag
from envmon.intake.decode import Decoder
from envmon.intake.health_rules import HealthRule
from envmon.shop.models import Point
from envmon.units import QUANTITIES
from tests.health_support import START_US, Course, courses, flags_of, places, room_courses

qartod = pytest.importorskip("ioos_qc.qartod", reason="the reference library; a test extra")

COURSES = courses()
EACH = pytest.mark.parametrize("course", COURSES, ids=lambda c: f"{c.name}-{c.quantity}")
NEVER_US = 2**62
SUSPECT, FAIL = 3, 4
QUANTILES = (0.5, 0.9, 0.99, 0.999)


def said(flags: object, *levels: int) -> set[int]:
    """Return which readings ioos_qc has flagged at these levels."""
    return set(np.flatnonzero(np.isin(np.asarray(flags), levels)).tolist())


def seconds(course: Course) -> list[float]:
    return [n * course.every_us / SECOND_US for n in range(len(course.values))]


def steps(course: Course) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    return np.abs(np.diff(np.array(course.values)))


def thresholds(course: Course) -> list[float]:
    """Return differences that some of the steps are above; off the grid of whole thousandths."""
    return [float(np.quantile(steps(course), q)) + 0.00037 for q in QUANTILES]


@pytest.mark.parametrize("course", room_courses(), ids=lambda c: c.quantity)
def test_gross_range_flags_what_ioos_qc_flags(course: Course) -> None:
    """The room's readings, some of them as faulty sensors send them; through the decoder."""
    quantity = QUANTITIES[course.quantity]
    values = list(course.values)
    faults = [quantity.low - 0.1, quantity.high + 0.1, -127.0, 1e6, quantity.low, quantity.high]
    values[40 : 40 + 9 * len(faults) : 9] = faults
    point = {"id": "s", "topic": "s", "format": "number", "reads": {course.quantity: {}}}
    decoder = Decoder([Point.model_validate(point)], {}, [])
    readings = [decoder.decode("s", repr(v).encode(), START_US + n)[0]
                for n, v in enumerate(values)]  # fmt: skip
    ours = {n for n, reading in enumerate(readings) if Flag.RANGE in reading.flag}
    theirs = said(qartod.gross_range_test(values, (quantity.low, quantity.high)), FAIL)
    assert ours == theirs
    assert len(ours) == 4


@EACH
def test_rate_of_change_flags_what_ioos_qc_flags(course: Course) -> None:
    """With the spike test off every reading is judged by the one before, as ioos_qc does it."""
    for threshold in thresholds(course):
        per_us = threshold / course.every_us
        rule = HealthRule(2 * course.every_us, rate_per_us=per_us)
        theirs = qartod.rate_of_change_test(
            course.values, seconds(course), threshold=per_us * SECOND_US
        )
        ours = places(flags_of(course, rule), Flag.RATE)
        assert ours == said(theirs, SUSPECT)
        assert ours


@EACH
@pytest.mark.parametrize("readings", [2, 3, 5, 8])
@pytest.mark.parametrize("within", [0.0, 0.1, 0.5, 2.0])
def test_flat_line_flags_what_ioos_qc_flags(course: Course, readings: int, within: float) -> None:
    """A span of n times the pace is what ioos_qc's window of n + 1 readings covers.

    ioos_qc asks for less than its tolerance, ours for at most; values are whole thousandths.
    """
    span_us = readings * course.every_us
    rule = HealthRule(2 * course.every_us, flat_after_us=span_us, flat_within=within)
    theirs = qartod.flat_line_test(
        course.values, seconds(course), span_us / SECOND_US, 10**9, within + 0.0005
    )
    assert places(flags_of(course, rule), Flag.FLAT) == said(theirs, SUSPECT)


def test_flat_line_comparison_has_something_to_compare() -> None:
    for course in COURSES:
        rule = HealthRule(NEVER_US, flat_after_us=2 * course.every_us, flat_within=0.1)
        assert len(places(flags_of(course, rule), Flag.FLAT)) > 10, course.name


@EACH
def test_flat_line_leaves_a_humidity_at_its_upper_end_to_wet(course: Course) -> None:
    """A designed difference: clipped at 100 % a working sensor stands still, and counts as wet."""
    span_us = 3 * course.every_us
    free = HealthRule(NEVER_US, flat_after_us=span_us)
    topped = HealthRule(NEVER_US, flat_after_us=span_us, top=99.5, wet_after_us=span_us)
    theirs = places(flags_of(course, free), Flag.FLAT)
    flags = flags_of(course, topped)
    more = theirs - places(flags, Flag.FLAT)
    assert all(course.values[place] >= 99.5 for place in more)
    assert more <= places(flags, Flag.WET)
    assert not places(flags, Flag.FLAT) - theirs


def above_all(course: Course) -> float:
    """Return a threshold above every true change over one step and over two."""
    values = np.array(course.values)
    return float(max(steps(course).max(), np.abs(values[2:] - values[:-2]).max())) + 0.00037


def outliers(course: Course, size: float) -> tuple[list[float], set[int]]:
    """Return the course with a single wrong reading in every forty, up and down."""
    values = list(course.values)
    wrong = range(20, len(values) - 1, 40)
    for turn, place in enumerate(wrong):
        values[place] += size if turn % 2 else -size
    return values, set(wrong)


@EACH
@pytest.mark.parametrize("method", ["average", "differential"])
def test_every_spike_of_ioos_qc_on_single_outliers_is_ours_too(course: Course, method: str) -> None:
    """Outliers of three times what is true in the data; ioos_qc looks one reading ahead."""
    threshold = above_all(course)
    values, wrong = outliers(course, 3 * threshold)
    rule = HealthRule(NEVER_US, spike=threshold)
    ours = places(flags_of(course, rule, values), Flag.SPIKE)
    theirs = said(qartod.spike_test(values, fail_threshold=threshold, method=method), FAIL)
    assert theirs & wrong == wrong
    assert ours == wrong
    # ioos_qc's average flags the neighbours of an outlier as well: a third of its size is above
    # the threshold there. Ours knows what was accepted before.
    assert theirs - ours <= {place + side for place in wrong for side in (-1, 1)}
    assert method == "average" or theirs == ours


@EACH
def test_what_ours_flags_more_than_ioos_qc_its_rate_test_flags(course: Course) -> None:
    """True leaps of the data and steps put in: the first reading of one cannot be told apart."""
    threshold = thresholds(course)[2]
    values = list(course.values)
    for place in range(55, len(values), 110):
        values[place:] = [
            value + (3 if place % 220 else -3) * threshold for value in values[place:]
        ]
    rule = HealthRule(NEVER_US, spike=threshold)
    ours = places(flags_of(course, rule, values), Flag.SPIKE)
    spikes = qartod.spike_test(values, fail_threshold=threshold, method="differential")
    rates = qartod.rate_of_change_test(
        values, seconds(course), threshold=threshold / course.every_us * SECOND_US
    )
    assert said(spikes, FAIL) <= ours | _second_leaps(ours)
    more = ours - said(spikes, FAIL)
    assert more
    assert more <= said(rates, SUSPECT)


def _second_leaps(ours: set[int]) -> set[int]:
    """Return the readings after one that leapt.

    Ours takes one of them for the return, or for the confirmation of a step; ioos_qc takes every
    turn of a zigzag for a spike, the way back too.
    """
    return {place + 1 for place in ours}


@EACH
def test_the_way_back_from_a_spike_is_no_rate(course: Course) -> None:
    """A designed difference: ioos_qc judges the way back by the spike, ours by what it accepted."""
    threshold = above_all(course)
    values, wrong = outliers(course, 3 * threshold)
    per_us = threshold / course.every_us
    rule = HealthRule(NEVER_US, spike=threshold, rate_per_us=per_us)
    ours = places(flags_of(course, rule, values), Flag.RATE)
    theirs = qartod.rate_of_change_test(values, seconds(course), threshold=per_us * SECOND_US)
    assert ours == wrong
    assert said(theirs, SUSPECT) == wrong | {place + 1 for place in wrong}
