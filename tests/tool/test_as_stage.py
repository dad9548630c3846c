"""A tool as a stage among ours, and where a clipper's own curve is known."""

from dataclasses import replace

import numpy as np
import pytest

from autochain.chain.chain import DEFAULT
from autochain.tool.as_stage import Placed, stage_on_tool
from autochain.tool.tool import BounceRead, plain_model
from tests.own_tools import CLIPPER, COMPRESSOR, TOOLS, tool_of

RATE = 48000
NOISE = (0.3 * np.random.default_rng(3).standard_normal((RATE, 2))).astype(np.float32)


def test_a_stage_on_a_tool_gives_what_its_model_gives_wherever_the_blocks_are_cut() -> None:
    placed = Placed(tool=TOOLS[0], positions=({"threshold": -24.0, "ratio": 4.0},))
    chain = replace(
        DEFAULT, stages={**DEFAULT.stages, "bus_compressor": stage_on_tool(DEFAULT.stages["bus_compressor"], placed)}
    )
    settings = chain.checked({"bus_compressor": {}, "drive": {"gain_db": 3.0}})
    model = replace(COMPRESSOR, threshold_dbfs=-24.0, ratio=4.0)
    wanted = model.process(NOISE.astype(np.float64), RATE) * 10.0 ** (3.0 / 20.0)
    whole = chain.render(NOISE, RATE, settings)
    assert whole.samples.dtype == np.float32
    assert np.abs(whole.samples - wanted).max() < 1e-5  # float32
    stream = chain.stream(RATE, 2, settings)
    pieces = [stream.push(NOISE[:777]), stream.push(NOISE[777:777]), stream.push(NOISE[777:]), stream.finish()]
    assert np.array_equal(np.concatenate(pieces), whole.samples)


def test_its_trace_is_the_reduction_without_the_gain_behind_it() -> None:
    """The model has 1 dB behind it, which no meter of a reduction shows."""
    placed = Placed(tool=TOOLS[0], positions=({"threshold": 0.0},))
    quiet = 0.01 * NOISE
    trace = stage_on_tool(DEFAULT.stages["bus_compressor"], placed).process(
        quiet, RATE, DEFAULT.stages["bus_compressor"].neutral
    ).trace  # fmt: skip
    assert trace is not None
    assert trace.mean_db.shape == (100,)
    assert np.abs(trace.mean_db).max() < 1e-3
    assert np.abs(trace.max_db).max() < 1e-3


def test_gains_around_a_clipper_move_its_curve_in_level() -> None:
    at_bounce = Placed(tool=TOOLS[2], positions=({"ceiling": -10.0},), around_db=7.0)
    moved = Placed(tool=TOOLS[2], positions=({"ceiling": -3.0},))
    x = NOISE.astype(np.float64)
    assert np.abs(at_bounce.process(x, RATE) - moved.process(x, RATE)).max() < 1e-4  # the file has six digits


def also_bounced(softer_db: float):
    """The clipper bounced a second time, 6 dB lower; its corner softer by so much at its top than the first's."""
    level, gain = np.array(CLIPPER.curve_db).T
    gain = np.interp(level + 6.0, level, gain) - softer_db * np.clip((level + 20.0) / 20.0, 0.0, 1.0)
    second = replace(
        CLIPPER, ceiling_dbfs=-16.0, measured_at_dbfs=-16.0,
        curve_db=tuple(zip(level[:-12].tolist(), gain[:-12].tolist(), strict=True)),
    )  # fmt: skip
    read = BounceRead.model_validate(
        {**TOOLS[2].bounces[0].model_dump(), "knobs": {"ceiling": -16.0}, "model": plain_model(second)}
    )
    return replace(TOOLS[2], bounces=(*TOOLS[2].bounces, read))


@pytest.mark.parametrize(("softer_db", "known"), [(0.0, (-16.0, -10.0)), (2.0, (-10.0, -10.0))])
def test_a_curve_of_its_own_is_known_between_bounces_that_show_it_moves(softer_db, known) -> None:
    assert also_bounced(softer_db).known_ceilings == known


def test_our_curve_is_known_at_any_ceiling_and_one_bounce_of_another_at_its_own() -> None:
    ours = tool_of("o", "clipper", replace(CLIPPER, curve_db=(), softness=50.0), {"ceiling": -10.0})
    assert ours.known_ceilings == ours.maps["ceiling"].ends
    assert TOOLS[2].known_ceilings == (-10.0, -10.0)
