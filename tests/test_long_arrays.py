"""Arrays in pieces: one stays what it is, several are one array in a file."""

from dataclasses import dataclass

import numpy as np
import pytest

from analyzer.long_arrays import LongArray, LongRecord, taken


def test_a_single_piece_is_not_touched():
    piece = np.arange(5.0)
    array = LongArray()
    array.append(piece)
    assert array.whole() is piece


@pytest.mark.parametrize(
    "pieces",
    [
        [np.arange(3.0), np.arange(4.0), np.empty(0), np.arange(2.0)],
        [np.array([True, False]), np.array([True])],
        [np.asfortranarray(np.arange(8.0).reshape(2, 4)), np.arange(4.0).reshape(1, 4)],
        [np.arange(6.0)[::2], np.arange(3)],  # with gaps in memory; whole numbers become what the first piece is
    ],
)
def test_several_pieces_are_one_read_only_array(pieces):
    array = LongArray()
    for piece in pieces:
        array.append(piece)
    whole = array.whole()
    np.testing.assert_array_equal(whole, np.concatenate(pieces))
    assert whole.dtype == pieces[0].dtype and not whole.flags.writeable
    array.release()
    np.testing.assert_array_equal(whole, np.concatenate(pieces))


def test_the_array_outlives_what_it_was_made_with():
    array = LongArray()
    for _ in range(2):
        array.append(np.ones(1000))
    whole = array.whole()
    del array
    assert whole.sum() == 2000


@dataclass(frozen=True)
class Made:
    values: np.ndarray
    name: str


def test_a_record_keeps_the_first_piece_s_name_and_all_samples():
    record: LongRecord[Made] = LongRecord()
    record.append(Made(np.arange(2.0), "first"))
    record.append(Made(np.arange(3.0), "second"))
    whole = record.whole()
    assert whole.name == "first" and record.whole(name="both").name == "both"
    np.testing.assert_array_equal(whole.values, [0, 1, 0, 1, 2])
    np.testing.assert_array_equal(taken(whole, slice(1, 4)).values, [1, 0, 1])
    with pytest.raises(ValueError, match="nothing"):
        LongRecord[Made]().whole()
