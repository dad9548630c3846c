"""The configuration as frozen models; `configs/default.toml` is its annotated default."""

from typing import Annotated

from pydantic import AfterValidator, BaseModel, ConfigDict, Field


def _ordered(span: tuple[float, float]) -> tuple[float, float]:
    if not span[0] < span[1]:
        raise ValueError("must rise from low to high")
    return span


Span = Annotated[tuple[float, float], AfterValidator(_ordered)]


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Target(_Part):
    """What the master must reach."""

    lufs: float
    ceiling_dbtp: float


class Excerpts(_Part):
    """How much of the song a trial renders."""

    count: int = Field(ge=1, le=4)
    length_s: float = Field(ge=3.2, le=30.0, multiple_of=0.4)
    preroll_s: float = Field(ge=0.0, le=10.0, multiple_of=0.4)


class Drive(_Part):
    """The bracketed solve for the gain into the first peak stage."""

    max_db: float = Field(gt=0.0, le=24.0)
    tolerance_lu: float = Field(gt=0.0, le=0.1)
    max_renders: int = Field(ge=2, le=20)
    saturated_slope: float = Field(gt=0.0, lt=1.0)


class Coordinates(_Part):
    """A point the sampler proposes: shares of work, time constants, softness."""

    bus_work_db: float
    bus_attack_ms: float
    bus_release_ms: float
    peak_work_db: float
    peak_attack_ms: float
    peak_release_ms: float
    clip_share: float
    clip_softness: float
    onset_db: float
    limiter_lookahead_ms: float
    limiter_release_ms: float


class Ranges(_Part):
    """[low, high] of every coordinate."""

    bus_work_db: Span
    bus_attack_ms: Span
    bus_release_ms: Span
    peak_work_db: Span
    peak_attack_ms: Span
    peak_release_ms: Span
    clip_share: Span
    clip_softness: Span
    onset_db: Span
    limiter_lookahead_ms: Span
    limiter_release_ms: Span


class Baselines(_Part):
    """Grid over which limiter-only and clip-plus-limit are tuned."""

    release_ms: tuple[float, ...] = Field(min_length=1)
    lookahead_ms: tuple[float, ...] = Field(min_length=1)
    clip_share: float = Field(gt=0.0, le=1.0)
    clip_softness: float = Field(ge=0.0, le=100.0)


class SearchPlan(_Part):
    """How the search spends its trials."""

    budget: int = Field(ge=2)  # limiter-only and the trade default are always among the trials
    batch: int = Field(ge=1)
    seed: int = Field(ge=0)
    startup: int = Field(ge=1)
    excerpts: Excerpts
    drive: Drive
    ranges: Ranges
    trade_default: Coordinates
    baselines: Baselines


class Weights(_Part):
    """Price of one dB (or LU) of each cost in the score."""

    added_distortion_nmr_db: float = Field(ge=0.0)
    added_distortion_low_nmr_db: float = Field(ge=0.0)
    crest_loss_db: float = Field(ge=0.0)
    onset_loss_db: float = Field(ge=0.0)
    asymmetry_reduction_db: float = Field(ge=0.0)
    gain_movement_db: float = Field(ge=0.0)
    contrast_loss_lu: float = Field(ge=0.0)
    image_shift_db: float = Field(ge=0.0)
    tilt_shift_db: float = Field(ge=0.0)
    short_term_overshoot_lu: float = Field(ge=0.0)


class Config(_Part):
    """Everything a run is told, apart from the mix itself."""

    target: Target
    search: SearchPlan
    weights: Weights
