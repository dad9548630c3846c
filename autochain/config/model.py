"""The configuration as frozen models; `configs/default.toml` is its annotated default."""

from functools import cached_property
from typing import Annotated, Any, Self

from pydantic import AfterValidator, Field, ValidationInfo, field_validator, model_validator

from autochain.chain.chain import ChainPlan
from autochain.config.chain import Chain, ConfigPart, chain_plan
from autochain.config.coordinates import COORDINATES
from autochain.measure.measurement import Levels
from autochain.prepare.corrective import CorrectionRules
from autochain.prepare.limits import Limits
from autochain.prepare.symmetry import RotationRules


def _ordered(span: tuple[float, float]) -> tuple[float, float]:
    if not span[0] < span[1]:
        raise ValueError("must rise from low to high")
    return span


_MEANINGFUL = {coordinate.name: coordinate.meaningful for coordinate in COORDINATES}


def _meaningful(values: tuple[float, ...], name: str) -> None:
    low, high = _MEANINGFUL[name]
    if not all(low <= value <= high for value in values):
        raise ValueError(f"must lie between {low:g} and {high:g}")


Bounds = Annotated[tuple[float, float], AfterValidator(_ordered)]


class Target(ConfigPart):
    """What the master must reach: one loudness, of the whole song or of its loudest 3 s, and a ceiling."""

    lufs: float | None = None
    loudest_part_lufs: float | None = None
    ceiling_dbtp: float

    @model_validator(mode="after")
    def _one(self) -> Self:
        if self.lufs is not None and self.loudest_part_lufs is not None:
            raise ValueError("has two loudnesses, lufs and loudest_part_lufs. Remove one of them")
        if self.lufs is None and self.loudest_part_lufs is None:
            raise ValueError("has no loudness. Add lufs or loudest_part_lufs")
        return self

    @property
    def of_loudest_part(self) -> bool:
        """Whether the wanted loudness is that of the loudest 3 s (EBU Tech 3341 2.2) and not the integrated one."""
        return self.loudest_part_lufs is not None

    @property
    def loudness_lufs(self) -> float:
        """The loudness wanted, whichever of both it is."""
        wanted = self.lufs if self.loudest_part_lufs is None else self.loudest_part_lufs
        assert wanted is not None
        return wanted

    def heard_lufs(self, measured: Levels) -> float | None:
        """What a measurement says of the loudness that is wanted."""
        return measured.max_short_term_lufs if self.of_loudest_part else measured.integrated_lufs


class Excerpts(ConfigPart):
    """How much of the song a trial renders."""

    count: int = Field(ge=1, le=4)
    length_s: float = Field(ge=3.2, le=30.0, multiple_of=0.4)
    preroll_s: float = Field(ge=0.0, le=10.0, multiple_of=0.4)


class Drive(ConfigPart):
    """The bracketed solve for the gain into the first peak stage."""

    max_db: float = Field(gt=0.0, le=24.0)
    tolerance_lu: float = Field(gt=0.0, le=0.1)
    max_renders: int = Field(ge=2, le=20)
    saturated_slope: float = Field(gt=0.0, lt=1.0)


class Coordinates(ConfigPart):
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
    limiter_link_percent: float

    @field_validator("*")
    @classmethod
    def _check(cls, value: float, info: ValidationInfo) -> float:
        _meaningful((value,), str(info.field_name))
        return value


class Ranges(ConfigPart):
    """[low, high] of every coordinate."""

    bus_work_db: Bounds
    bus_attack_ms: Bounds
    bus_release_ms: Bounds
    peak_work_db: Bounds
    peak_attack_ms: Bounds
    peak_release_ms: Bounds
    clip_share: Bounds
    clip_softness: Bounds
    onset_db: Bounds
    limiter_lookahead_ms: Bounds
    limiter_release_ms: Bounds
    limiter_link_percent: Bounds

    @field_validator("*")
    @classmethod
    def _check(cls, span: tuple[float, float], info: ValidationInfo) -> tuple[float, float]:
        _meaningful(span, str(info.field_name))
        return span


class Baselines(ConfigPart):
    """Grid over which limiter-only and clip-plus-limit are tuned."""

    release_ms: tuple[float, ...] = Field(min_length=1)
    lookahead_ms: tuple[float, ...] = Field(min_length=1)
    clip_share: float = Field(gt=0.0, le=1.0)
    clip_softness: float = Field(ge=0.0, le=100.0)

    @field_validator("release_ms", "lookahead_ms")
    @classmethod
    def _check(cls, grid: tuple[float, ...], info: ValidationInfo) -> tuple[float, ...]:
        _meaningful(grid, f"limiter_{info.field_name}")
        return grid


class SearchPlan(ConfigPart):
    """How the search spends its trials."""

    budget: int = Field(ge=2)  # limiter-only and the trade default are always among the trials
    batch: int = Field(ge=1)
    seed: int = Field(ge=0, le=2**32 - 1)  # what a sampler takes
    startup: int = Field(ge=1)
    simpler_within: float = Field(ge=0.0)
    chain_earns: float = Field(ge=0.0)
    equal_within: float = Field(ge=0.0)
    equal_chains: int = Field(ge=0)
    neighbours_within: float = Field(ge=0.0)
    sensitivity_score: float = Field(gt=0.0)
    sensitivity_trials: int = Field(ge=0)
    around_share: float = Field(gt=0.0, le=1.0)
    excerpts: Excerpts
    drive: Drive
    ranges: Ranges
    trade_default: Coordinates
    baselines: Baselines


class Weights(ConfigPart):
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


class Learned(ConfigPart):
    """What the weights were learned from; no table of a file has it.

    Attributes
    ----------
    choices
        Blind choices between versions that differ.
    sha256
        Hash of the file that has them.
    told
        Whether they tell anything; where not, the weights are the defaults.
    sentences
        What they tell, in words.
    """

    choices: int = Field(ge=0)
    sha256: str
    told: bool
    sentences: tuple[str, ...]


class Prepare(ConfigPart):
    """What is suggested before the search, and how far it may go."""

    corrective: bool
    fades: bool
    cut_silence: bool
    least_cut_db: float = Field(ge=0.1, le=3.0)
    most_cut_db: float = Field(ge=0.1, le=6.0)
    most_dynamic_db: float = Field(ge=0.1, le=6.0)
    strong_cuts: int = Field(ge=0, le=20)
    back_to_mix_db: float = Field(gt=0.0, le=12.0)
    cut_from_hz: float = Field(ge=20.0, le=20000.0)
    most_tone_db: float = Field(ge=0.5, le=3.0)
    most_tone_alike_db: float = Field(ge=0.5, le=6.0)
    least_rotation_db: float = Field(ge=0.0, le=12.0)
    most_late_ms: float = Field(ge=0.0, le=100.0)
    late_rotation_db: float = Field(ge=0.0, le=12.0)

    @property
    def rules(self) -> CorrectionRules:
        """The same for the planning of cuts."""
        return CorrectionRules(
            least_cut_db=self.least_cut_db,
            most_cut_db=self.most_cut_db,
            most_dynamic_db=self.most_dynamic_db,
            strong_cuts=self.strong_cuts,
            back_to_mix_db=self.back_to_mix_db,
            cut_from_hz=self.cut_from_hz,
        )

    @property
    def rotation_rules(self) -> RotationRules:
        """The same for the choice of a rotation."""
        return RotationRules(
            least_db=self.least_rotation_db, most_late_ms=self.most_late_ms, late_least_db=self.late_rotation_db
        )


class OwnTools(ConfigPart):
    """Files of the user's own processors; `read_config` has put the folder of the configuration before them."""

    files: tuple[str, ...] = ()


class Config(ConfigPart):
    """Everything a run is told, apart from the mix itself."""

    target: Target
    chain: Chain  # type: ignore[valid-type]
    prepare: Prepare
    check: Limits
    search: SearchPlan
    weights: Weights
    tools: OwnTools = OwnTools()
    learned: Learned | None = None

    @cached_property
    def chain_plan(self) -> ChainPlan:
        """Stages in order, with this configuration's ranges, defaults and bands."""
        return chain_plan(self.chain)

    def __reduce__(self) -> tuple[Any, ...]:
        # For other processes: the models of the stages' tables are made on the spot and have no name to be found by.
        return Config.model_validate, (self.model_dump(exclude_unset=True),)
