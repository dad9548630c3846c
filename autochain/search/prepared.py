"""What is decided before the search: the song's ends, cuts, a high-pass, tone moves; as settings, with reasons.

The engineer's locks, the configuration's bands and stages left out win: a suggestion never touches a stage that was
set by any of them.
"""

from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

from autochain.audio.mix import Mix
from autochain.chain.output import kept_frames
from autochain.chain.settings import DYNAMIC_BELL, EQUALISER, OUTPUT, TONE, ChainSettings, StageName, StageSettings
from autochain.config.model import Config
from autochain.measure.measurement import Measurement
from autochain.measure.resonance import ResonanceMap, measure_resonance
from autochain.note import Note
from autochain.prepare.corrective import Correction, bands, plan_corrections
from autochain.prepare.low_cut import LowCut, find_low_cut
from autochain.prepare.references import Reference
from autochain.prepare.resonance_findings import back_to_mix, description, doubt, strongest_at
from autochain.prepare.resonances import Resonance, find_resonances
from autochain.prepare.silence_and_fades import SilenceAndFades, find_silence_and_fades
from autochain.search.cut_effect import CutEffect, effect_of
from autochain.search.toward_references import tone_moves
from autochain.solve.decisions import Decisions
from autochain.threads import cores
from autochain.units import clock, number

# Notes that tell of bands: they would speak of what is not there.
_OF_BANDS = frozenset({"resonance", "resonance_in_mix", "resonance_doubtful", "low_cut", "tone", "tone_left"})
_TOLD_S = 0.5  # less is in the settings and not worth a note


@dataclass(frozen=True, slots=True, kw_only=True)
class Prepared:
    """Suggestions of settings by stage, the notes that give their reasons, and the song's ends; none if silent."""

    settings: ChainSettings
    notes: tuple[Note, ...]
    ends: SilenceAndFades | None

    def added_to(self, decisions: Decisions) -> Decisions:
        """Decisions with what is suggested for stages that nobody has decided on; fades beside what is set."""
        locks = decisions.locks
        for name, values in self.settings.items():
            if name == OUTPUT:
                locks = locks.with_(name, values.with_(locks.of(name)))
            elif name not in locks and name not in decisions.without:
                locks = locks.with_(name, values)
        return Decisions(locks=locks, without=decisions.without)

    def ends_only(self) -> "Prepared":
        """What holds also where nothing but a gain is applied."""
        return Prepared(
            settings=self.settings.only((OUTPUT,)),
            notes=tuple(note for note in self.notes if note.code not in _OF_BANDS),
            ends=self.ends,
        )


def prepare(
    mix: Mix,
    before: Measurement,
    config: Config,
    decisions: Decisions,
    references: Sequence[Reference] = (),
    resonances: tuple[Resonance, ...] | None = None,
    mapped: ResonanceMap | None = None,
) -> Prepared:
    """Decide everything that a search takes as given.

    Parameters
    ----------
    mix, before
        The mix and its measurement.
    config
        Its `[prepare]` table says what to look for and how far to go.
    decisions
        What is decided already; stages in it are left alone.
    references
        The engineer's own; without any there are no tone moves.
    resonances, mapped
        Those of the mix and what they were found in, when the caller has looked for them already.
    """
    plan = config.prepare
    settings = ChainSettings()
    notes: list[Note] = []
    free = [n for n in (EQUALISER, DYNAMIC_BELL) if n not in decisions.locks and n not in decisions.without]
    if plan.corrective and free:
        if mapped is None:
            mapped = measure_resonance(mix.samples, mix.rate_hz)
        if resonances is None:
            resonances = find_resonances(mapped)
        planned = plan_corrections(resonances, mix.samples, mix.rate_hz, plan.rules)
        with ThreadPoolExecutor(cores()) as pool:
            looked = pool.submit(find_low_cut, mix.samples, mix.rate_hz, before) if EQUALISER in free else None
            effects = list(pool.map(lambda c: effect_of(mix, c, mapped) if _used(c, free) else None, planned))
        low_cut = None if looked is None else looked.result()
        # A cut stays where the excess falls by it and nothing else moves.
        corrections = [
            c if effect is None or effect.helps else replace(c, cut_db=0.0)
            for c, effect in zip(planned, effects, strict=True)
        ]
        settings |= _corrective_settings(corrections, low_cut, free)
        notes += [_correction_note(c, effect) for c, effect in zip(corrections, effects, strict=True)]
        notes += [] if low_cut is None else [_low_cut_note(low_cut)]
    moves, said = tone_moves(mix, before, references, plan.most_tone_db, plan.most_tone_alike_db)
    notes += said
    if moves:
        settings = settings.with_(TONE, bands([move.settings for move in moves]))
    if (ends := find_silence_and_fades(mix.samples, mix.rate_hz)) is not None:
        output = config.chain_plan.stages[OUTPUT]
        own = decisions.locks.of(OUTPUT)
        wanted = {"fade": plan.fades, "cut": plan.cut_silence}
        # What was set, by hand or in the configuration, stays.
        found = {
            name: min(value, output.parameter(name).high)
            for name, value in ends.settings.items()
            if wanted["fade" if name.startswith("fade") else "cut"]
            and name not in own
            and output.parameter(name).default == 0.0
        }
        if found:
            settings = settings.with_(OUTPUT, found)
        kept_frames(mix.samples.shape[0], mix.rate_hz, output.checked(StageSettings(found).with_(own)))
        notes += _ends_notes(ends, found, mix)
    return Prepared(settings=settings, notes=tuple(notes), ends=ends)


def _stage_of(correction: Correction) -> StageName:
    return EQUALISER if correction.threshold_db is None else DYNAMIC_BELL


def _corrective_settings(
    corrections: Sequence[Correction], low_cut: LowCut | None, free: Sequence[StageName]
) -> ChainSettings:
    standing = [c.settings for c in corrections if c.cut_db > 0.0 and c.threshold_db is None]
    passing = [c.settings for c in corrections if c.cut_db > 0.0 and c.threshold_db is not None]
    first = [] if low_cut is None else [low_cut.settings]
    settings = ChainSettings()
    if (first or standing) and EQUALISER in free:
        phase = {"phase": "linear"} if low_cut is not None and low_cut.linear_phase else {}
        settings = settings.with_(EQUALISER, {**phase, **bands([*first, *standing])})
    if passing and DYNAMIC_BELL in free:
        settings = settings.with_(DYNAMIC_BELL, bands(passing))
    return settings


def _used(correction: Correction, free: Sequence[StageName]) -> bool:
    return correction.cut_db > 0.0 and _stage_of(correction) in free


def _correction_note(correction: Correction, effect: CutEffect | None) -> Note:
    what = correction.resonance
    if effect is not None and not effect.helps:
        moved = number(effect.excess_change_db, "dB", signed=True)
        taken = f"It is not cut here: a trial cut moved it by {moved} only."
    elif effect is None:
        taken = "It is not cut here."
    elif what.passing:
        taken = f"Here it is cut by up to {number(correction.cut_db, 'dB')} while it is there."
    else:
        taken = f"Here it is cut by {number(correction.cut_db, 'dB')}."
    if effect is not None and effect.helps:
        taken += (
            f" Measured on the mix, that takes {number(-effect.excess_change_db, 'dB')} off it and moves nothing an "
            f"octave away by more than {number(effect.elsewhere_db, 'dB', 2)}."
        )
    certain = correction.certainty == "certain"
    back = back_to_mix(correction) if certain else doubt(correction)
    if certain and not correction.back_to_mix:
        back = f"Compare with and without at equal loudness. {back}"
    more = "_in_mix" if correction.back_to_mix else "" if certain else "_doubtful"
    text = f"{description(what)}{strongest_at(what)} {taken}"
    return Note(code=f"resonance{more}", text=text, suggestion=back)


def _low_cut_note(low_cut: LowCut) -> Note:
    reasons = []
    if low_cut.subsonic_db is not None:
        reasons.append(f"what lies below 20 Hz is only {number(-low_cut.subsonic_db, 'dB')} under the whole")
    if low_cut.offset_dbfs is not None:
        reasons.append(f"the waveform has an offset of {number(low_cut.offset_dbfs, 'dBFS', 0)}")
    phase = ", in linear phase since the usual filter would raise the peak" if low_cut.linear_phase else ""
    return Note(
        code="low_cut",
        text=f"A high-pass at {number(low_cut.freq_hz, 'Hz', 0)}{phase}, because {' and '.join(reasons)}. It removes "
        f"energy {number(-low_cut.removed_db, 'dB')} under the whole; the phase shift of the usual filter moves the "
        f"peak by {number(low_cut.peak_change_db, 'dB', signed=True)}.",
        suggestion="Listen to the lowest notes with and without it; better is to cut in the track it comes from.",
    )


def _ends_notes(ends: SilenceAndFades, settings: Mapping[str, float], mix: Mix) -> list[Note]:
    notes = []
    if ends.cut_off_db is not None:
        notes.append(
            Note(
                code="tail_cut_off",
                text=f"The mix stops while it still sounds, {number(ends.cut_off_db, 'dB')} under its peak. It is not "
                "faded: a fade would only cut more.",
                suggestion="Export the mix again with its whole tail, or lock output.fade_out_ms to a length you like.",
            )
        )
    head_s, tail_s = (settings.get(f"{end}_cut_ms", 0.0) / 1000.0 for end in ("head", "tail"))
    stop_s = mix.duration_s - tail_s
    cut = [f"{number(head_s, 's', 2)} at the start"] if head_s >= _TOLD_S else []
    cut += [f"{number(tail_s, 's', 2)} at the end, from {clock(stop_s)} on"] if tail_s >= _TOLD_S else []
    if cut:
        notes.append(
            Note(
                code="silence_cut",
                text=f"Silence of the mix is cut off: {' and '.join(cut)}. The output then adds its own.",
                suggestion="Lock output.head_cut_ms or output.tail_cut_ms to 0 to keep it.",
            )
        )
    parts = []
    if "fade_in_ms" in settings:
        parts.append(f"in over {ends.fade_in_ms} ms (first attack at {ends.attack_s:.3f} s)")
    if "fade_out_ms" in settings:
        parts.append(f"out over {ends.fade_out_ms} ms from {clock(stop_s - ends.fade_out_ms / 1000.0)}")
    if parts:
        notes.append(
            Note(
                code="fades",
                text=f"Noise at the ends is faded {' and '.join(parts)}.",
                suggestion="Listen to both.",
            )
        )
    return notes
