"""The open song as plain facts: nothing is computed for it, and what is not known yet is left out."""

from dataclasses import replace

from autochain.chain.settings import StageName
from autochain.check.checked import Checked
from autochain.compare.report import report as compare_report
from autochain.desk.blind import learned
from autochain.desk.facts import BounceFacts, ChoiceFacts, Known, Meter, ReferenceFacts, SongFacts
from autochain.desk.open_song import OpenSong
from autochain.desk.sheet_figures import VersionFigures
from autochain.desk.song_jobs import judges_of
from autochain.desk.versions import HAND, LIMITER_ALONE, POINT, SongVersion
from autochain.render.report import report as delivery_report
from autochain.search.verify import SUGGESTION


def facts_of(song: OpenSong, checked: Checked | None = None) -> SongFacts:
    """What is known now; `checked` is the desk's own check of the mix, where that came first."""
    revision = song.hand.revision  # before what it counts: a part may be newer than it says, never older
    state, beside, measured = song.state, song.beside(), song.measured
    if checked is None and measured is not None:
        checked = Checked(
            file=song.files.name,
            duration_s=song.mix.duration_s,
            measurement=measured.before,
            readiness=measured.readiness,
        )
    target = song.wanted if state is None else state.target
    same = song.like_hand()
    known = {
        one.key: replace(_known(one, beside.get(one.key)), is_hand=one.key in same) for one in song.versions()
    }
    kept = [one for key, one in known.items() if key.startswith("kept.")]
    return SongFacts(
        files=song.files,
        duration_s=song.mix.duration_s,
        rate_hz=song.mix.rate_hz,
        channels=song.mix.channels,
        chain=song.chain,
        settings=song.settings,
        put_away={} if state is None else {name: state.settings[name] for name in state.off},
        locks=frozenset() if state is None else state.locks,
        target_lufs=target.loudness_lufs,
        of_loudest_part=target.of_loudest_part,
        ceiling_dbtp=target.ceiling_dbtp,
        revision=revision,
        undo=song.can_undo,
        redo=song.can_redo,
        checked=checked,
        looks=song.looks,
        hand=_figures(HAND, "your settings", song.estimate()),
        same=next((_called(one) for one in song.versions() if one.key in same), ""),
        kept=tuple(reversed(kept)),
        suggestion=known.get(SUGGESTION),
        limiter=known.get(LIMITER_ALONE),
        meters=_meters(song),
        weights=song.config.weights,
        sheet=None if song.sheet is None else song.sheet.said,
        own_tools=bool(song.config.tools.files),
        on_tools=song.on_tools()[1],
        curve=song.curve,
        course=song.course,
        course_is_now=state is not None and song.course_of == (state.active, state.target),
        bounces=tuple(_bounce(song, one) for one in song.versions() if one.key.startswith("bounce.")),
        references=tuple(ReferenceFacts(name=path.name, on=on) for path, on in song.ticked.all()),
        delivery=None if song.delivery is None else tuple(delivery_report(song.delivery)),
        choices=_choices(song),
        takes=_takes(song.mix.duration_s),
    )


def _called(version: SongVersion) -> str:
    if version.key.startswith(POINT):
        return f"the curve {version.name}"
    return f"“{version.name}”" if version.key.startswith("kept.") else f"the {version.name}"


def _choices(song: OpenSong) -> ChoiceFacts:
    file, found = str(song.files.choices), learned(song.files.choices)
    if isinstance(found, str):
        return ChoiceFacts(sentences=(found,), file=file)
    sentences = (*found.sentences, *found.remarks)
    return ChoiceFacts(sentences=sentences, file=file, moves=bool(found.costs), on=song.by_choices)


def _takes(duration_s: float) -> dict[str, float]:
    """Roughly, on two cores: `benchmarks/results/seconds.md`, with what listening takes away in the meantime."""
    search = 20.0 + 0.08 * duration_s
    return {"search": search, "around": 0.7 * search, "curve": 5.0 * search, "deliver": 3.0 + 0.03 * duration_s}


def _bounce(song: OpenSong, version: SongVersion) -> BounceFacts:
    judges = judges_of(song, song.bounce(version.key).sha256)
    if version.key not in song.compared:
        return BounceFacts(key=version.key, name=version.name, judges=judges)
    by, found = song.compared[version.key]
    told = tuple(compare_report(found.found, found.description, found.verdict))
    return BounceFacts(key=version.key, name=version.name, report=told, judges=judges, judged_by=by)


def _known(version: SongVersion, figures: VersionFigures | None) -> Known:
    return _figures(version.key, version.name, figures, settable=version.settable)


def _figures(key: str, name: str, figures: VersionFigures | None, *, settable: bool = True) -> Known:
    if figures is None:
        return Known(key=key, name=name, settable=settable)
    levels = figures.levels
    return Known(
        key=key,
        name=name,
        lufs=levels.integrated_lufs,
        loudest_part_lufs=levels.max_short_term_lufs,
        true_peak_dbtp=levels.true_peak_dbtp,
        score=figures.score,
        costs=figures.costs,
        met=figures.met,
        exact=figures.exact,
        settable=settable,
    )


def _meters(song: OpenSong) -> dict[StageName, Meter]:
    """Of the whole song where it was verified, here or by the sheet; else of the place that was solved last."""
    verdict = song.hand.verdict
    if verdict is not None and verdict.found is not None:
        return {
            one.stage: Meter(
                typical_db=one.reduction_typical_db,
                most_db=one.reduction_max_db,
                most_at_s=one.max_at_s,
                trim_db=one.trim_db,
            )
            for one in verdict.found.stages
            if one.reduction_max_db is not None and one.reduction_typical_db is not None
        }
    said = None if song.sheet is None else song.sheet.said
    if said is not None and song.sheet is not None and song.settings == song.sheet.settings:
        return {
            one.stage: Meter(
                typical_db=one.reduction_db.typical,
                most_db=one.reduction_db.max,
                most_at_s=one.reduction_db.max_at_s,
                trim_db=one.trim_db,
            )
            for one in said.stages
            if one.reduction_db is not None
        }
    if song.turned is None:
        return {}
    return {name: Meter(typical_db=one.typical, most_db=one.max) for name, one in song.turned.taken.items()}
