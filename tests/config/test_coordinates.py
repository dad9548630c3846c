"""The table of what a search moves: each coordinate once, and nothing that it tells is told elsewhere."""

from autochain.chain.chain import STAGES
from autochain.config import read_config
from autochain.config.coordinates import (
    BY_LEVEL,
    COMPRESSORS,
    COORDINATES,
    EARLY,
    FOUND,
    NAMES,
    SET,
    SOLVING,
    STAGES_MOVED,
    SWITCHING,
)
from autochain.config.model import Coordinates, Ranges


def test_every_coordinate_is_in_the_table_once_in_the_order_of_a_vector():
    assert list(NAMES) == list(Coordinates.model_fields) == list(Ranges.model_fields)
    assert len({c.place for c in COORDINATES}) == len(COORDINATES)


def test_every_coordinate_is_a_setting_or_solves_one():
    assert set(SET) | set(SOLVING) == set(COORDINATES)
    for coordinate in COORDINATES:
        assert STAGES[coordinate.stage].parameter(coordinate.parameter).name == coordinate.parameter
        low, high = coordinate.meaningful
        assert low < high
    for coordinate in SET:
        # A setting moves as its knob is marked.
        assert STAGES[coordinate.stage].parameter(coordinate.parameter).scale == coordinate.scale


def test_each_stage_but_the_limiter_is_switched_by_one_coordinate_that_its_others_need():
    assert [c.stage for c in SWITCHING] == [stage for stage in STAGES_MOVED if stage != "limiter"]
    for switching in SWITCHING:
        others = [c.name for c in COORDINATES if c.stage == switching.stage and c is not switching]
        assert list(switching.uses) == others
        assert switching.off_below > 0.0


def test_what_is_solved_from_a_share_cannot_be_configured_and_what_is_searched_can():
    assert {c.place for c in SOLVING} <= BY_LEVEL < FOUND
    assert not FOUND & {c.place for c in SET}
    assert EARLY == ("bus_compressor", "peak_compressor", "clipper")
    assert COMPRESSORS == ("bus_compressor", "peak_compressor")


def test_the_default_ranges_and_the_trade_default_mean_something():
    search = read_config(None, {}).search
    for coordinate in COORDINATES:
        low, high = coordinate.meaningful
        own = getattr(search.ranges, coordinate.name)
        assert low <= own[0] < own[1] <= high
        assert low <= getattr(search.trade_default, coordinate.name) <= high
