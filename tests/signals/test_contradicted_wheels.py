"""Wheel speeds that contradict the rest of the log."""

import pytest
from signals.expected import FIRST_OF_GROUP, WHEELS, as_cases, told_of_all, told_of_few


@pytest.mark.parametrize("case", as_cases("all", WHEELS, fast=FIRST_OF_GROUP))
def test_a_contradiction_is_told_and_no_interval_excludes_the_truth_in_silence(case):
    told_of_all(case)


@pytest.mark.parametrize("case", as_cases("minimum", WHEELS))
def test_with_few_channels_a_contradiction_is_told_and_no_interval_excludes_the_truth_in_silence(case):
    told_of_few(case)
