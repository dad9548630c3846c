"""Pieces of a stream, and the sound around instants, against the stream itself."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from autochain.measure.stream import Pieces, sound_around


@settings(max_examples=25, derandomize=True, deadline=None)
@given(
    cuts=st.lists(st.integers(0, 40), max_size=8),
    around=st.tuples(st.integers(1, 9), st.integers(1, 9), st.integers(0, 9)),
    body=st.integers(10, 30),
)
def test_bodies_with_their_neighbours_are_the_stream(cuts, around, body):
    before, after, lead = around
    stream = np.arange(1.0, 1.0 + 2 * sum(cuts)).reshape(-1, 2)
    pieces = Pieces(2, before, body, after, lead)
    got, at = [], 0
    for cut in cuts:
        got += [piece.copy() for piece in pieces.push(stream[at : at + cut])]
        at += cut
    rest = [(piece.copy(), end) for piece, end in pieces.rest()]
    if not at:
        assert not rest
        return
    zeros = np.zeros((before + lead, 2)), np.zeros((2 * body + before + after, 2))
    expected = np.concatenate([zeros[0], stream, zeros[1]])
    for k, piece in enumerate(got + [piece for piece, _ in rest]):
        np.testing.assert_array_equal(piece, expected[k * body : k * body + before + body + after])
    # the last body reaches `after` frames beyond the end, with no piece more than that takes
    count = len(got) + len(rest)
    assert lead + at + after <= count * body
    assert len(rest) == 1 or (count - 1) * body < lead + at + after
    assert [end for _, end in rest] == [before + lead + at - (len(got) + i) * body for i in range(len(rest))]


def test_asking_for_the_rest_does_not_disturb_the_stream():
    stream = np.arange(100.0)[:, None]
    calm, disturbed = (Pieces(1, 3, 10, 4) for _ in range(2))
    expected = [piece.copy() for piece in calm.push(stream)]
    got = []
    for frame in stream:
        got += [piece.copy() for piece in disturbed.push(frame[None])]
        list(disturbed.rest())
    np.testing.assert_array_equal(got, expected)


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
def test_pieces_have_the_type_of_the_stream(dtype):
    pieces = Pieces(1, 1, 2, 1)
    for piece in pieces.push(np.ones((9, 1), dtype=dtype)):
        assert piece.dtype == dtype


@pytest.mark.parametrize("parts", [1, 7, 100])
def test_the_sound_around_is_itself_and_silence_beyond_the_ends(parts: int) -> None:
    sound = np.arange(1.0, 401.0).reshape(200, 2)
    found = sound_around(np.array_split(sound, parts), [3, 100, 198], 10)
    assert np.array_equal(found[1], sound[90:110])
    assert np.array_equal(found[0], np.concatenate([np.zeros((7, 2)), sound[:13]]))
    assert np.array_equal(found[2], np.concatenate([sound[188:], np.zeros((8, 2))]))
