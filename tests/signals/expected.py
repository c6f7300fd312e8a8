"""What must come of each contradiction, for the tests of all kinds of them."""

import pytest
from signals.contradictions import CONTRADICTIONS, judged, sound_log, spoilt
from sizes import only_whole

from analyzer.signals.consistency import CONTRADICTION, LEFT_OUT, UNCHECKED

# what is put right or does no harm: the channels must come out as those of the sound log
MENDED = {
    "places: all wheels mirrored",
    "accelerometers: lateral in m/s2 called g",
    "pedals: brake dead",
    "cut off: all wheels at 80% of top speed, flat",
    "dies: throttle at 40 half-way",
    "dies: long_g at 0.1 half-way",
    "pedals: throttle 0 to 255 called per cent",
    "pedals: throttle 0 to 1 called per cent",
    "lost rows: rears bridged over 2 s in 40 places",
    "lost rows: 20 s from the middle",
    "coarse: all wheels joined by lines over 0.1 s",
    "coarse: rears joined by lines over 0.1 s",
    "late: yaw_rate by 0.2 s",
    "late: steer by 0.2 s",
    *(f"zeros for missing: {case.words}" for case in CONTRADICTIONS if case.group == "zeros for missing"),
}
# said here, so that no session is driven before a test of it runs
FEW = {*(f"wheel_speed_{w}" for w in ("fl", "fr", "rl", "rr")), "throttle", "steer", "lat_g"}
CASES = {"all": CONTRADICTIONS, "minimum": [case for case in CONTRADICTIONS if set(case.needs) <= FEW]}


def name_of(case):
    return f"{case.group}: {case.words}"


def told(codes):
    """What is said of a log first, before its answer is."""
    if codes is None:
        return "refused"
    return next((code for code in (CONTRADICTION, LEFT_OUT, UNCHECKED) if code in codes), "silent")


def no_interval_excludes_the_truth_in_silence(case, found):
    assert found.outcome not in ("silently wrong", "wrong, said open")


FIRST_OF_GROUP = {
    name_of(c) for k, c in enumerate(CONTRADICTIONS) if c.group not in {d.group for d in CONTRADICTIONS[:k]}
}


def as_cases(channels, groups, fast=frozenset()):
    """The cases of a log in some groups; those named in `fast` in a developer's loop too, most in a whole run only."""

    def marks(name):
        if name in fast:
            return ()
        return (pytest.mark.slow,) if name in SMALL[channels] else (pytest.mark.slow, only_whole)

    return [
        pytest.param(case, id=name_of(case), marks=marks(name_of(case)))
        for case in CASES[channels]
        if case.group in groups
    ]


def told_of_all(case):
    """Of a log with all channels."""
    found = judged(spoilt(sound_log("all"), case))
    no_interval_excludes_the_truth_in_silence(case, found)
    if name_of(case) in MENDED:
        assert told(found.codes) == "silent"
    else:
        assert told(found.codes) not in ("silent", UNCHECKED)


def told_of_few(case):
    """Of a log with the minimum."""
    found = judged(spoilt(sound_log("minimum"), case))
    no_interval_excludes_the_truth_in_silence(case, found)
    # nothing in such a log checks clock and scales closely, and that is said of it whatever is done to it
    assert (told(found.codes) == UNCHECKED) == (name_of(case) in MENDED)


# by kind, one file each, so that workers share them
ZEROS = {"zeros for missing"}
WHEELS = {"copies", "places", "wheel units", "wheel zeros", "drift", "one side", "cut off"} | {
    *("coarse", "lost rows", "slow bus", "lost pulses", "smoothed", "another lap")
}
OTHERS = {case.group for case in CONTRADICTIONS} - ZEROS - WHEELS
# what a small run tries: of each kind the first, with few channels of each file the first, and all that end otherwise
# than by being told; but zeros, which all do
ENDS_OTHERWISE = {name for name in MENDED if not name.startswith("zeros for missing")}
SMALL = {
    "all": ENDS_OTHERWISE | FIRST_OF_GROUP,
    "minimum": ENDS_OTHERWISE
    | {next(name_of(c) for c in CASES["minimum"] if c.group in groups) for groups in (ZEROS, WHEELS, OTHERS)},
}
