"""Targets that need no search: a gain alone reaches them, or the mix must not be worked on further."""

from autochain.audio.mix import Mix
from autochain.chain.settings import DRIVE, OUTPUT, ChainSettings
from autochain.config.model import Config
from autochain.measure.loudness import Series, loud_hops
from autochain.measure.measurement import Measurement, measure
from autochain.prepare.readiness import Readiness
from autochain.prepare.silence_and_fades import SilenceAndFades
from autochain.search.baselines import LIMITER_ONLY, TRADE_DEFAULT
from autochain.search.costs import NO_COSTS
from autochain.search.evaluator import Aim, Evaluator
from autochain.search.facts import stage_facts
from autochain.search.notes import gain_only_note, too_dense_note, too_quiet_note, two_loudnesses_note
from autochain.search.result import OnSheet, SearchStats, Suggestion, Verified
from autochain.search.verify import Contender, verify
from autochain.solve.decisions import Decisions
from autochain.solve.excerpts import whole_song
from autochain.solve.material import Material
from autochain.solve.solved import Guess
from autochain.solve.solver import DITHER_DB, LOUDNESS_TOLERANCE_LU

_STEP_DB = 0.1


def gain_only(
    mix: Mix,
    config: Config,
    decisions: Decisions,
    before: Measurement,
    readiness: Readiness,
    hops: Series,
    song_ends: SilenceAndFades | None,
) -> Suggestion | None:
    """Result reached by gain alone, or None when a search is needed; `hops` and `song_ends` are those of the mix.

    A target that leaves the peaks under the ceiling costs nothing. A mix whose PLR is under `check.least_plr_db` is
    only turned up or down, never clipped or limited again; what it misses is said in a note.
    """
    target = config.target
    loudness, peak, plr = target.heard_lufs(before), before.true_peak_dbtp, before.plr_db
    integrated = before.integrated_lufs
    if loudness is None or integrated is None or peak is None or plr is None or _sounding(decisions.locks):
        return None
    chain = config.chain_plan
    drive = chain.stages[DRIVE].parameter("gain_db")
    gain = drive.rounded(target.loudness_lufs - loudness)
    fits = peak + gain + DITHER_DB <= target.ceiling_dbtp
    dense = plr < config.check.least_plr_db
    if not dense and not fits:
        return None
    if not fits:
        room = target.ceiling_dbtp - DITHER_DB - peak
        gain = drive.rounded(room)
        if gain > room:
            gain = drive.rounded(gain - _STEP_DB)
    ends = chain.stages[OUTPUT].checked(decisions.locks.of(OUTPUT))
    settings = ChainSettings({DRIVE: {"gain_db": gain}, OUTPUT: ends})
    samples = chain.render(mix.samples, mix.rate_hz, settings).samples
    after = measure(samples, mix.rate_hz)
    heard = target.heard_lufs(after)
    if fits and heard is not None and after.true_peak_dbtp is not None:
        # Fades take loudness that the gain can give back.
        more = drive.rounded(target.loudness_lufs - heard)
        if more > 0.0 and after.true_peak_dbtp + more + DITHER_DB <= target.ceiling_dbtp:
            gain = round(gain + more, 6)
            settings = settings.with_(DRIVE, gain_db=gain)
            samples = chain.render(mix.samples, mix.rate_hz, settings).samples
            after = measure(samples, mix.rate_hz)
            heard = target.heard_lufs(after)
    facts = stage_facts(mix.samples, mix.rate_hz, settings, {}, hops, loud_hops(hops, integrated), chain, song_ends)
    met = heard is not None and abs(heard - target.loudness_lufs) <= LOUDNESS_TOLERANCE_LU

    def result(name: str) -> OnSheet:
        return OnSheet(
            name=name,
            settings=settings,
            after=after,
            costs=NO_COSTS,
            score=0.0,
            met=met,
            saturated=False,
            early_work_db=0.0,
            stages=facts,
        )

    note = gain_only_note(gain) if met else too_quiet_note(loudness, gain)
    if dense:
        note = too_dense_note(plr, gain, met)
    return Suggestion(
        mix=mix,
        config=config,
        decisions=decisions,
        before=before,
        readiness=readiness,
        chosen=result("suggestion"),
        samples=samples,
        # Where gain alone falls short nothing else was tried, so nothing is said of how far it would get.
        baselines={
            LIMITER_ONLY: result(LIMITER_ONLY),
            TRADE_DEFAULT: _trade_default(mix, config, decisions, integrated, hops),
        }
        if met
        else {},
        neighbours={},
        rotation_saving_db=0.0,
        spans=(),
        stats=SearchStats(trials=0, feasible=0, on_edge=(), mean_renders=0.0, chosen_from="gain alone"),
        sensitivity=(),
        notes=(note, *two_loudnesses_note(target, after)),
    )


def _sounding(locks: ChainSettings) -> bool:
    """Whether a lock concerns more than the ends of the song."""
    return any(stage != OUTPUT for stage in locks)


def _trade_default(
    mix: Mix,
    config: Config,
    decisions: Decisions,
    loudness_lufs: float,
    hops: Series,
) -> Verified:
    """The trade default at the same target: its compressors work even where nothing has to."""
    target = config.target
    material = Material(
        mix.samples, mix.rate_hz, hops, loudness_lufs, [whole_song(len(hops))], of_loudest_part=target.of_loudest_part
    )
    song = Evaluator(material, config.weights, config.search.drive, config.chain_plan)
    start, wanted = config.search.trade_default, target.loudness_lufs
    trial = song.trial(start, decisions, target.ceiling_dbtp, Aim(lufs=wanted), Guess(loss_db=0.0))
    contender = Contender(
        name=TRADE_DEFAULT,
        settings=trial.settings,
        target=target,
        decisions=decisions,
        guess=Guess(slope=trial.solution.slope, drive_db=trial.solution.drive_db),
    )
    return verify(contender, song)
