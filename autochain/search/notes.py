"""Notes on a result: what was seen, and what to try."""

from collections.abc import Mapping

from autochain.chain.chain import STAGES
from autochain.chain.settings import CLIPPER, LIMITER, ROTATION, ChainSettings
from autochain.config.model import Config, Coordinates, Ranges, Target
from autochain.measure.measurement import Levels, Measurement
from autochain.note import Note
from autochain.prepare.symmetry import WORTH_A_WORD_DB, Rotation
from autochain.search.baselines import BASELINE_WORDS, LIMITER_ONLY
from autochain.search.result import SearchStats, Verified
from autochain.solve.decisions import Decisions, as_given
from autochain.units import number

_MOST_ON_EDGE = 1.0 / 3.0  # of the coordinates; more means the score is at fault, not the range
# Ends (0 the lower, 1 the upper) at which most suggestions lie, on purpose: what lies beyond is no setting of most
# tools, or costs what no measure hears (docs/decisions: a release ends at 5 ms, only the limiter's link is widened).
_MEANT_ENDS = {"limiter_release_ms": 0, "limiter_lookahead_ms": 0, "limiter_link_percent": 0, "clip_softness": 1}
_APART_LU = 3.0  # between integrated and loudest short-term loudness; more is worth saying
_COORDINATES = len(Coordinates.model_fields)


def too_quiet_note(loudness_lufs: float, gain_db: float) -> Note:
    """The mix is so quiet that the drive's range ends before the target."""
    return Note(
        code="mix_too_quiet",
        text=f"The mix has {number(loudness_lufs, 'LUFS')}; the most that the drive can add, "
        f"{number(gain_db, 'dB', signed=True)}, does not reach the target.",
        suggestion="Export the mix again, louder.",
    )


def gain_only_note(gain_db: float) -> Note:
    """The mix reaches the target with its peaks under the ceiling."""
    return Note(
        code="gain_only",
        text=f"A gain of {number(gain_db, 'dB', signed=True)} reaches the target with every peak under the ceiling.",
        suggestion="No stage needs to work. Choose a louder target to see what more would cost.",
    )


def too_dense_note(plr_db: float, gain_db: float, met: bool) -> Note:
    """The mix has been limited or clipped already."""
    reach = "" if met else " The target is not reached that way."
    return Note(
        code="mix_too_dense",
        text=(
            f"The mix has a peak-to-loudness ratio of {number(plr_db, 'dB')}: it has been limited or clipped "
            f"already, so it is only moved by {number(gain_db, 'dB', signed=True)}.{reach}"
        ),
        suggestion="Export the mix again with the limiter on its bus taken off, then ask again.",
    )


def two_loudnesses_note(target: Target, after: Levels) -> tuple[Note, ...]:
    """Note for a master whose loudest 3 s are more than 3 LU above its integrated loudness."""
    whole, loudest = after.integrated_lufs, after.max_short_term_lufs
    if whole is None or loudest is None or abs(loudest - whole) <= _APART_LU:
        return ()
    if target.of_loudest_part:
        meant, other = "the loudest part, as --loudest-part asked", "To aim at the whole song, give --lufs."
    else:
        meant, other = "the whole song, as --lufs asks", "To aim at the loudest part, give --loudest-part."
    return (
        Note(
            code="two_loudnesses",
            text=f"The whole song has {number(whole, 'LUFS')}, its loudest 3 s have {number(loudest, 'LUFS')}: "
            f"{number(loudest - whole, 'LU')} apart. The target means {meant}.",
            suggestion=other,
        ),
    )


def learned_note(config: Config) -> tuple[Note, ...]:
    """What the weights of the score were learned from, or why they are the defaults all the same."""
    learned = config.learned
    if learned is None:
        return ()
    said = " ".join(learned.sentences)
    if not learned.told:
        return (
            Note(
                code="nothing_learned",
                text=f"--taste was given, and the weights are the defaults. {said}",
                suggestion="Choose blind between more versions that differ.",
            ),
        )
    return (
        Note(
            code="learned_weights",
            text=f"Searched with weights learned from {learned.choices} blind choices. {said}",
            suggestion="Compare scores only with those of sheets with the same weights. Without --taste the weights "
            "are the defaults.",
        ),
    )


def mono_note(channels: int, settings: ChainSettings) -> tuple[Note, ...]:
    """Note for bands on mid or side of a mix that has one channel."""
    bands = [
        (stage, name, value)
        for stage, own in settings.items()
        for name, value in own.items()
        if name.startswith("band") and name.endswith("_channel") and value in ("mid", "side")
    ]
    if channels != 1 or not bands:
        return ()
    listed = ", ".join(f"{stage}.{name} ({word})" for stage, name, word in bands)
    return (
        Note(
            code="mono_bands",
            text=f"The mix has one channel, which is its own mid and has no side: {listed}. A band on the side does "
            f"nothing here, one on the mid works on everything.",
            suggestion="Set these bands to stereo, or leave out those on the side.",
        ),
    )


def rotation_note(
    config: Config, settings: ChainSettings, rotation: Rotation, decisions: Decisions
) -> tuple[Note, ...]:
    """What the rotation saves and costs; or what one would have saved, and why it is left out."""
    turned = settings.of(ROTATION)
    if rotation.used and turned.holds(rotation.settings):  # a locked one may be another
        return (
            Note(
                code="rotation",
                text=f"Rotating the phase saves the peak stages {number(rotation.saving_db, 'dB')} on average in the "
                f"loud parts.{_rotation_costs(rotation)}",
                suggestion="Compare with and without at equal loudness; leave it out if hits or low notes lose their "
                "shape.",
            ),
        )
    decided = len(turned) > 0 or ROTATION in decisions.without or ROTATION in decisions.locks
    if rotation.used or decided or rotation.saving_db < WORTH_A_WORD_DB:
        return ()
    rules = config.prepare.rotation_rules
    saving = number(rotation.saving_db, "dB")
    why = {
        "small": f"Less than {number(rules.least_db, 'dB')} is not worth one.",
        "late": f"Where lows come over {number(rules.most_late_ms, 'ms', 0)} late, it has to save at least "
        f"{number(rules.late_least_db, 'dB')}.",
        "price": f"That takes {number(rotation.price_db, 'dB')} off the saving. Less than "
        f"{number(rules.least_db, 'dB')} is left.",
    }[rotation.unused_because or "small"]
    locks = " ".join(f"--lock {as_given(ROTATION, name, value)}" for name, value in rotation.settings.items())
    return (
        Note(
            code="rotation_left_out",
            text=f"A phase rotation would save the peak stages {saving}. It is left out."
            f"{_rotation_costs(rotation)} {why}",
            suggestion=f"To try it: {locks}.",
        ),
    )


def _rotation_costs(rotation: Rotation) -> str:
    said = ""
    if rotation.pre_echo_db is not None and rotation.early_echo_db is not None:
        said += (
            f" Before a click it leaves an echo: {number(-rotation.pre_echo_db, 'dB')} below the click within the last "
            f"5 ms; {number(-rotation.early_echo_db, 'dB')} below it without the last 1 ms."
        )
    if rotation.group_delay_ms:
        said += f" Lows come up to {number(rotation.group_delay_ms, 'ms')} late."
    if rotation.attack_loss_db >= 0.05:
        said += f" Hits start {number(rotation.attack_loss_db, 'dB')} softer."
    return said


def notes_for(
    config: Config,
    before: Measurement,
    chosen: Verified,
    baselines: Mapping[str, Verified],
    rotation: Rotation,
    stats: SearchStats,
    decisions: Decisions,
) -> tuple[Note, ...]:
    """Everything worth saying about a searched result, most important first."""
    notes = []
    if before.true_peak_dbtp is not None and before.true_peak_dbtp > 0.0:
        left_out = "It was not clipped again: the clipper was left out."
        clipper = "The clipper stays, since it was set." if CLIPPER in decisions.locks else left_out
        notes.append(
            Note(
                code="mix_over_full_scale",
                text=f"The mix peaks at {number(before.true_peak_dbtp, 'dBTP', signed=True)}. {clipper}",
                suggestion=f"Turn the mix down by {number(before.true_peak_dbtp + 1.0, 'dB')} and export it again.",
            )
        )
    notes.extend(two_loudnesses_note(config.target, chosen.after))
    notes.extend(learned_note(config))
    if not stats.complete:
        notes.append(
            Note(
                code="stopped_early",
                text=f"The search was stopped after {stats.trials} of {config.search.budget} trials: these are the "
                f"best settings so far.",
                suggestion="Give the same command with --resume to go on to the full result.",
            )
        )
    own = chosen.settings.get(LIMITER, "ceiling_dbtp")
    locked = (LIMITER, "ceiling_dbtp") in decisions.locks
    if own is not None and own < config.target.ceiling_dbtp and not locked:
        notes.append(
            Note(
                code="limiter_headroom",
                text=f"The limiter is set {number(config.target.ceiling_dbtp - own, 'dB')} under the ceiling so that "
                f"the highest of three true-peak readings stays under {number(config.target.ceiling_dbtp, 'dBTP')}.",
                suggestion="With another limiter, lower its ceiling until your own true-peak meter agrees.",
            )
        )
    notes.extend(rotation_note(config, chosen.settings, rotation, decisions))
    if stats.saved_by_clipper is not None:
        notes.append(
            Note(
                code="clipper_for_tools",
                text=f"A limiter of yours needs the clipper ahead of it: on your own tools that lowers the score by "
                f"{number(stats.saved_by_clipper, decimals=1)} points against the best chain without a clipper, which "
                f"would do on autochain's own stages.",
                suggestion="To leave it out all the same, add --without clipper.",
            )
        )
    elif stats.forgone is not None:
        extra = [STAGES[name].label for name in stats.forgone.settings if name not in chosen.settings]
        notes.append(
            Note(
                code="simpler_suggested",
                text=f"On the whole song a chain with {' and '.join(extra)} would improve the score by only "
                f"{number(chosen.score - stats.forgone.score, decimals=2)} points at the same loudness. Two "
                f"searches can differ by as much: under {number(config.search.chain_earns, decimals=2)} points the "
                f"simpler chain is suggested.",
                suggestion="To get the best score all the same, set search.chain_earns = 0 in a configuration.",
            )
        )
    elif stats.chosen_from != "suggestion":
        words = BASELINE_WORDS[stats.chosen_from]
        better = "scored better" if chosen.met else "came nearer to the target"
        take = "a simple chain is enough for this song and target" if chosen.met else "it is the nearest there is"
        notes.append(
            Note(
                code="baseline_best",
                text=f"On the whole song nothing the search found {better} than {words}, so that is suggested.",
                suggestion=f"Raise --budget, or take it: {take}.",
            )
        )
    edges = odd_edges(stats, config.search.ranges)
    if len(edges) > _MOST_ON_EDGE * _COORDINATES:
        notes.append(
            Note(
                code="range_edges",
                text=f"{len(edges)} of {_COORDINATES} searched values ended on the edge of their range: "
                f"{', '.join(edges)}.",
                suggestion="Trust the costs less than usual here and judge these settings by ear first.",
            )
        )
    limiter_only = baselines.get(LIMITER_ONLY)
    if chosen.met and limiter_only is not None and limiter_only.saturated:
        where = " in the loudest 3 s" if config.target.of_loudest_part else ""
        reached = number(config.target.heard_lufs(limiter_only.after), "LUFS") + where
        notes.append(
            Note(
                code="limiter_only_short",
                text=f"A limiter alone gets to {reached} on this song before more drive hardly makes it louder.",
                suggestion="The stages before it are what makes the target possible: do not bypass them all.",
            )
        )
    return tuple(notes)


def odd_edges(stats: SearchStats, ranges: Ranges) -> list[str]:
    """Searched values on an end of their range that is not meant to be one."""
    found = []
    for name in stats.on_edge:
        low, high = getattr(ranges, name)
        value = getattr(stats.coordinates, name)
        if _MEANT_ENDS.get(name) != int(value - low > high - value):
            found.append(name)
    return found
