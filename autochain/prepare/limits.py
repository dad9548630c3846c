"""From where on a figure of a mix is worth a remark, and from where on the mix should be revisited."""

from pydantic import BaseModel, ConfigDict, Field


class Limits(BaseModel):
    """The `[check]` section of a configuration, which says what each limit means and where it comes from."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False, strict=True)

    quietest_lufs: float = Field(ge=-70.0, le=0.0)
    loudest_lufs: float = Field(ge=-70.0, le=0.0)
    lowest_peak_dbtp: float = Field(ge=-60.0, le=0.0)
    highest_peak_dbtp: float = Field(ge=-60.0, le=0.0)
    clipped_runs: int = Field(ge=1)
    clipped_runs_revisit: int = Field(ge=1)
    least_plr_db: float = Field(ge=0.0)
    peak_density: float = Field(gt=0.0, le=1.0)
    jump_revisit_db: float = Field(gt=0.0)
    dc_dbfs: float = Field(le=0.0)
    imbalance_db: float = Field(gt=0.0)
    imbalance_revisit_db: float = Field(gt=0.0)
    mono_loss_db: float = Field(gt=0.0)
    correlation_revisit: float = Field(ge=-1.0, le=1.0)
    low_end_correlation: float = Field(ge=-1.0, le=1.0)
    subsonic_db: float = Field(le=0.0)
    hum_dbfs: float = Field(le=0.0)
    hum_revisit_dbfs: float = Field(le=0.0)
    noise_dbfs: float = Field(le=0.0)
    longest_head_s: float = Field(gt=0.0)
    longest_tail_s: float = Field(gt=0.0)
    cut_off_dbfs: float = Field(le=0.0)
    asymmetry_db: float = Field(gt=0.0)
