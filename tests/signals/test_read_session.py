"""A session put together from blocks: what is left out, what cannot be read, and what is let go."""

import gc
import weakref
from dataclasses import replace
from functools import partial

import numpy as np
import pytest
from signals.made_session import CAR, made_session

from analyzer.errors import CannotTell, InputError
from analyzer.logs.read_blocks import LogBlock
from analyzer.signals.long_session import read_session


def standing():
    made = made_session()[0]
    return replace(made, channels={n: 0 * v if n.startswith("wheel") else v for n, v in made.channels.items()})


def refused(error):
    raise error


def in_a_row(*reads):
    """Blocks of 120 s; made sessions need no lead."""
    return [LogBlock(read, 120.0 * k, (0.0, 120.0)) for k, read in enumerate(reads)]


def driven():
    return made_session()[0]


@pytest.mark.parametrize("first", [standing, partial(refused, CannotTell("no rear wheel."))])
def test_a_first_block_that_cannot_be_told_leaves_the_others_as_they_are(first):
    alone, after = (
        read_session(in_a_row(*reads), car=CAR).signals() for reads in ([driven, driven], [first, driven, driven])
    )
    np.testing.assert_allclose(after.time_s, alone.time_s + 120.0)
    np.testing.assert_allclose(after.distance_m - after.distance_m[0], alone.distance_m - alone.distance_m[0])
    np.testing.assert_allclose(np.abs(np.diff(after.x_m + 1j * after.y_m)), np.abs(np.diff(alone.x_m + 1j * alone.y_m)))
    np.testing.assert_array_equal(after.yaw_rate_rad_s, alone.yaw_rate_rad_s)
    (note,) = (a for a in after.annotations if a.code == "left_out")
    assert (note.start_s, note.end_s) == (0.0, 120.0)


@pytest.mark.parametrize("place", range(3))
def test_a_block_that_cannot_be_read_ends_it_with_its_own_error(place):
    reads = [driven, driven, driven]
    reads[place] = partial(refused, InputError("log.csv: the file changed while it was read."))
    with pytest.raises(InputError, match="the file changed"):
        read_session(in_a_row(*reads), car=CAR)


def test_a_log_of_which_nothing_can_be_told_gives_the_first_reason():
    with pytest.raises(CannotTell, match="never drives faster"):
        read_session(in_a_row(standing, partial(refused, CannotTell("later."))), car=CAR)


def test_blocks_that_are_left_out_are_not_kept():
    seen, kept = [], []

    def watched():
        made = standing()
        seen.append(weakref.ref(made.channels["wheel_speed_rl"]))
        return made

    def watching(_):
        gc.collect()
        kept.append(sum(there() is not None for there in seen))

    read_session(in_a_row(*[watched] * 6, driven), car=CAR, progress=watching)
    assert max(kept) <= 2, kept  # the one that is read ahead, and the one just refused
