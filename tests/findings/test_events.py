"""Hysteresis, joining and dropping, on hand-drawn masks."""

import numpy as np

from analyzer.findings.events import events
from analyzer.signals.log_stretches import runs


def mask(text: str) -> np.ndarray:
    return np.array([c == "x" for c in text])


def test_runs_of_a_hand_drawn_mask():
    assert runs(mask("..xx.x")).tolist() == [[2, 3], [5, 5]]
    assert runs(mask("")).tolist() == []


def test_an_event_begins_strictly_and_goes_on_loosely():
    strict, loose = mask("....xx......"), mask("..xxxxxx....")
    assert events(begins=strict, goes_on=loose, rate_hz=10, join_s=0, least_s=0) == [(2, 8)]


def test_loose_alone_is_no_event():
    assert events(begins=mask("......"), goes_on=mask(".xxxx."), rate_hz=10, least_s=0) == []


def test_close_events_are_one_and_far_ones_are_two():
    x = mask("xx..xx....xx")  # gaps of 0.2 s and 0.4 s at 10 Hz
    assert events(begins=x, goes_on=x, rate_hz=10, join_s=0.25, least_s=0) == [(0, 6), (10, 12)]


def test_short_events_are_dropped():
    x = mask(".x....xx..")
    assert events(begins=x, goes_on=x, rate_hz=10, join_s=0.1, least_s=0.15) == [(6, 8)]
