"""From the sampler's coordinates to chain settings: locks, switching, steps and the way back."""

import math

import pytest

from autochain.chain.chain import STAGES
from autochain.config import Coordinates, read_config
from autochain.errors import ParameterError, UsageError
from autochain.search.notes import odd_edges
from autochain.search.result import SearchStats
from autochain.search.space import on_edge, outline_at, switched, to_vector
from autochain.solve.decisions import Decisions, parse_decisions
from autochain.solve.outline import only_drive_left

PLAN = read_config().search
POINT = PLAN.trade_default
RANGES = PLAN.ranges


def at(**values):
    return POINT.model_copy(update=values)


def test_the_trade_default_uses_every_searched_stage_in_chain_order():
    found = outline_at(POINT, Decisions(), -1.0)
    names = ["bus_compressor", "peak_compressor", "drive", "clipper", "transient", "limiter", "output"]
    assert list(found.settings) == names
    assert found.work_db == {"bus_compressor": POINT.bus_work_db, "peak_compressor": POINT.peak_work_db}
    assert found.clip_share == POINT.clip_share
    assert found.drive_db is None
    assert not found.ceiling_locked


def test_every_setting_is_complete_in_range_and_on_its_step():
    found = outline_at(at(bus_attack_ms=21.37, limiter_release_ms=123.4, clip_softness=33.0), Decisions(), -1.04)
    for name, values in found.settings.items():
        assert set(values) == {p.name for p in STAGES[name].parameters}
        for parameter in STAGES[name].parameters:
            value = values.value(parameter.name)
            assert parameter.parsed(value, name) == value
            assert parameter.rounded(value) == value
    assert found.settings["bus_compressor"]["attack_ms"] == 21.0
    assert found.settings["limiter"]["release_ms"] == 120.0
    assert found.settings["clipper"]["softness"] == 35.0


@pytest.mark.parametrize(
    ("coordinate", "stage", "off", "on"),
    [
        ("bus_work_db", "bus_compressor", 0.14, 0.16),
        ("peak_work_db", "peak_compressor", 0.14, 0.16),
        ("clip_share", "clipper", 0.039, 0.041),
        ("onset_db", "transient", 0.09, 0.11),
    ],
)
def test_a_share_near_zero_leaves_its_stage_out(coordinate, stage, off, on):
    assert stage not in outline_at(at(**{coordinate: off}), Decisions(), -1.0).settings
    assert stage in outline_at(at(**{coordinate: on}), Decisions(), -1.0).settings
    assert getattr(switched(at(**{coordinate: off})), coordinate) == 0.0
    assert getattr(switched(at(**{coordinate: on})), coordinate) == on


@pytest.mark.parametrize(
    ("lock", "stage", "coordinate"),
    [
        ("bus_compressor.ratio=1.5", "bus_compressor", "bus_work_db"),
        ("peak_compressor.knee_db=6", "peak_compressor", "peak_work_db"),
        ("clipper.softness=50", "clipper", "clip_share"),
        ("transient.window_ms=30", "transient", "onset_db"),
    ],
)
def test_a_stage_that_the_engineer_set_stays_in(lock, stage, coordinate):
    decided = parse_decisions([lock], [])
    found = outline_at(at(**{coordinate: 0.0}), decided, -1.0)
    name, value = lock.split("=")
    assert found.settings[stage][name.split(".")[1]] == float(value)


def test_a_locked_threshold_is_not_solved_and_other_locks_leave_it_to_the_work():
    threshold = outline_at(POINT, parse_decisions(["bus_compressor.threshold_db=-20"], []), -1.0)
    assert "bus_compressor" not in threshold.work_db
    assert threshold.settings["bus_compressor"]["threshold_db"] == -20.0
    attack = outline_at(POINT, parse_decisions(["bus_compressor.attack_ms=5"], []), -1.0)
    assert attack.work_db["bus_compressor"] == POINT.bus_work_db


def test_locks_are_kept_between_the_steps_of_the_search_and_through_verification():
    decided = parse_decisions(["limiter.release_ms=123.4", "clipper.ceiling_dbfs=1.23", "drive.gain_db=4.56"], [])
    free = outline_at(POINT, Decisions(), -1.0).settings
    for found in (outline_at(POINT, decided, -1.0), only_drive_left(free, decided)):
        assert found.settings["limiter"]["release_ms"] == 123.4
        assert found.settings["clipper"]["ceiling_dbfs"] == 1.23
        assert found.drive_db == 4.56
        assert found.clip_share is None
        assert not found.ceiling_locked
    assert outline_at(POINT, parse_decisions(["limiter.ceiling_dbtp=-2"], []), -1.0).ceiling_locked


OPTIONAL = ["bus_compressor", "peak_compressor", "clipper", "transient", "rotation", "equaliser"]


@pytest.mark.parametrize("stage", OPTIONAL)
def test_a_stage_left_out_is_out_with_its_work(stage):
    found = outline_at(POINT, parse_decisions([], [stage]), -1.0)
    assert stage not in found.settings
    assert stage not in found.work_db
    assert (found.clip_share is None) == (stage == "clipper")


def test_decisions_are_read_with_spaces_and_repeats():
    decided = parse_decisions(["limiter . release_ms = 90", "limiter.release_ms=90.0"], ["clipper", "clipper"])
    assert decided.locks.plain() == {"limiter": {"release_ms": 90.0}}
    assert decided.without == {"clipper"}


@pytest.mark.parametrize(
    ("lock", "kind", "words"),
    [
        ("limiter", UsageError, "stage.parameter=value"),
        ("limiter=3", UsageError, "stage.parameter=value"),
        ("limiter.release_ms", UsageError, "stage.parameter=value"),
        ("limitr.release_ms=3", ParameterError, "Did you mean limiter"),
        ("limiter.hold_ms=3", ParameterError, "ceiling_dbtp, lookahead_ms, release_ms"),
        ("limiter.release_ms=fast", ParameterError, "'fast' is not a number"),
        ("limiter.release_ms=1.9", ParameterError, "1.9 ms; it must be 2 to 1000 ms"),
        ("limiter.release_ms=inf", ParameterError, "inf ms; it must be 2 to 1000 ms"),
        ("bus_compressor.sidechain_hpf_hz=5", ParameterError, r"or 0 for off"),
        ("rotation.sections=1.5", ParameterError, "1.5; it must be a whole number"),
        ("limiter.release_behaviour=fxed", ParameterError, "Did you mean fixed?"),
        ("limiter.release_behaviour=0.5", ParameterError, "it can be fixed, by_work, two_stage"),
        ("output.trim_db=0", UsageError, "Lower --ceiling instead"),
    ],
)
def test_a_lock_that_cannot_be_is_refused_with_what_would_do(lock, kind, words):
    with pytest.raises(kind, match=words):
        parse_decisions([lock], [])


def test_an_off_value_outside_the_range_can_be_locked():
    assert parse_decisions(["bus_compressor.sidechain_hpf_hz=0"], []).locks["bus_compressor"]["sidechain_hpf_hz"] == 0.0


def test_vectors_are_linear_in_shares_and_logarithmic_in_times():
    ends = {name: getattr(RANGES, name) for name in Coordinates.model_fields}
    low = Coordinates(**{name: span[0] for name, span in ends.items()})
    high = Coordinates(**{name: span[1] for name, span in ends.items()})
    assert to_vector(low, RANGES) == pytest.approx([0.0] * len(ends))
    assert to_vector(high, RANGES) == pytest.approx([1.0] * len(ends))
    # closed forms: geometric mean for times, arithmetic mean for shares
    middle = Coordinates(
        **{n: math.sqrt(a * b) if n.endswith("_ms") else (a + b) / 2.0 for n, (a, b) in ends.items()}
    )
    assert to_vector(middle, RANGES) == pytest.approx([0.5] * len(ends))
    assert on_edge(middle, RANGES) == ()
    # Shares at zero are a choice, not an edge, and what their stages would use means nothing then.
    assert set(on_edge(low, RANGES)) == {"limiter_lookahead_ms", "limiter_release_ms", "limiter_link_percent"}
    assert set(on_edge(high, RANGES)) == set(ends)
    # Only ends that nobody meant are worth a word.
    for point, told in ((low, set()), (high, set(ends) - {"clip_softness"})):
        stats = SearchStats(trials=1, feasible=1, on_edge=on_edge(point, RANGES), mean_renders=1.0,
                            chosen_from="suggestion", coordinates=point)  # fmt: skip
        assert set(odd_edges(stats, RANGES)) == told
