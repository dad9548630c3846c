"""What the pages ask for: each action read strictly, then carried out on the open song or on the desk."""

from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, ValidationError

from autochain.chain.settings import StageName
from autochain.desk.abx import said
from autochain.desk.blind import keep_choice
from autochain.desk.versions import Heard, SongVersion
from autochain.errors import UsageError
from autochain.given import json_in, quoted
from autochain.render.delivery import names_of
from autochain.render.formats import parse_exports

if TYPE_CHECKING:
    from autochain.desk.desk import Desk
    from autochain.desk.open_song import OpenSong
    from autochain.desk.work import DeskJob

REST_S = 0.7  # how long a hand rests before the whole song is verified

_Word = Annotated[str, Field(min_length=1, max_length=100)]
_Name = Annotated[str, Field(min_length=1, max_length=60)]
_Key = Annotated[str, Field(min_length=1, max_length=200)]
_Seconds = Annotated[float, Field(ge=0.0, le=86400.0)]


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What the page is told at once: a place that was solved, what can be heard where that changed, and more.

    `words` say what came of listening without names, `kept` whether a choice was kept.
    """

    place: Heard | None = None
    versions: tuple[SongVersion, ...] | None = None
    words: str | None = None
    kept: bool | None = None

    def plain(self) -> dict[str, Any]:
        """As JSON has it; parts of the page follow as events."""
        told: dict[str, Any] = {"fragments": {}}
        if self.place is not None:
            told["place"] = self.place.plain()
        if self.versions is not None:
            told["versions"] = [one.plain() for one in self.versions]
        told |= {name: given for name in ("words", "kept") if (given := getattr(self, name)) is not None}
        return told


class _Asked(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)


class _Hand(_Asked):
    at_s: _Seconds = 0.0  # what is being heard: the place that holds it is solved


class _Turn(_Hand):
    """Set one setting."""

    action: Literal["turn"]
    stage: StageName
    parameter: _Word
    value: float | _Word


class _Switch(_Hand):
    """Switch a stage on or off."""

    action: Literal["switch"]
    stage: StageName
    on: bool


class _Lock(_Hand):
    """Hold a setting against solver and search, or let it go."""

    action: Literal["lock"]
    stage: StageName
    parameter: _Word
    on: bool


class _Aim(_Hand):
    """Want another loudness or ceiling; what is left out stays."""

    action: Literal["aim"]
    lufs: float | None = None
    loudest_part_lufs: float | None = None
    ceiling_dbtp: float | None = None


class _Undo(_Hand):
    """Go one step back."""

    action: Literal["undo"]


class _Redo(_Hand):
    """Go one step forward again."""

    action: Literal["redo"]


class _Take(_Hand):
    """Take the settings of a version under the hand."""

    action: Literal["take"]
    version: _Key


class _Point(_Hand):
    """Take the settings of a point of the curve under the hand."""

    action: Literal["point"]
    lufs: Annotated[float, Field(ge=-40.0, le=0.0)]


class _Place(_Asked):
    """Move the place that repeats."""

    action: Literal["place"]
    start_s: _Seconds


class _Keep(_Asked):
    """Keep what is under the hand as a named version."""

    action: Literal["keep"]
    name: _Name


class _Rename(_Asked):
    """Call a kept version otherwise."""

    action: Literal["rename"]
    version: _Key
    name: _Name


class _Drop(_Asked):
    """Delete a kept version."""

    action: Literal["drop"]
    version: _Key


class _Search(_Asked):
    """Search settings, everywhere or around what is under the hand."""

    action: Literal["search"]
    around: bool = False


class _Curve(_Asked):
    """Find what each loudness costs."""

    action: Literal["curve"]


class _Deliver(_Asked):
    """Write the files that go out; those that are there are replaced only where that is said."""

    action: Literal["deliver"]
    formats: Annotated[list[_Word], Field(max_length=20)] = []
    version: _Key = "hand"
    replace: bool = False


class _Compare(_Asked):
    """Say what a bounce did to the mix, and how it stands by the plan."""

    action: Literal["compare"]
    version: _Key
    by: Annotated[str, Field(max_length=200)] = ""


class _Reference(_Asked):
    """Let the next search look at a reference, or not."""

    action: Literal["reference"]
    name: _Word
    on: bool


class _Choose(_Asked):
    """Of two versions without names one was preferred."""

    action: Literal["choose"]
    first: _Key
    second: _Key
    chosen: _Key
    at_s: _Seconds


class _Abx(_Asked):
    """A run has ended in which two versions were to be told apart."""

    action: Literal["abx"]
    right: Annotated[int, Field(ge=0)]
    of: Annotated[int, Field(ge=1)]
    planned: int


class _Told(_Asked):
    """Listening without names has ended: what the choices tell may be shown."""

    action: Literal["told"]


class _ByChoices(_Asked):
    """Let searches weigh the costs by what the choices tell, or not."""

    action: Literal["by_choices"]
    on: bool


class _StopJob(_Asked):
    """Stop a job, waiting or running; without a number what is being done."""

    action: Literal["stop"]
    job: int | None = None


_Turned = _Turn | _Switch | _Lock | _Aim | _Undo | _Redo | _Take | _Point
_Long = _Keep | _Search | _Curve | _Deliver | _Compare
_Blind = _Choose | _Abx
_Choices = _Told | _ByChoices
Action = _Turned | _Place | _Long | _Blind | _Choices | _Rename | _Drop | _Reference | _StopJob
_ACTION: TypeAdapter[Action] = TypeAdapter(Annotated[Action, Field(discriminator="action")])


def read_action(body: bytes) -> Action:
    """An action of JSON; UsageError in one line for anything else."""
    try:
        return _ACTION.validate_python(json_in(body))
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        where = ".".join(map(str, first["loc"])) or "action"
        raise UsageError(f"the page asks for what there is not ({quoted(where)}: {quoted(first['msg'])}).") from None
    except ValueError as error:
        raise UsageError(f"the page sends no JSON ({quoted(str(error))}).") from None


def act(asked: Action, desk: "Desk", song: "OpenSong | None") -> Answer:
    """Carry out an action on the open song, or on the desk where it is about no song.

    Raises
    ------
    AutochainError
        What cannot be done, in one line.
    """
    if isinstance(asked, _StopJob):
        desk.work.stop(asked.job)
        return Answer()
    if song is None:
        raise UsageError(f"{asked.action} is about one song. Open it first.")
    # Of these nothing is shown: what a page shows while names are hidden must tell nothing.
    if isinstance(asked, _Choose):
        return Answer(kept=keep_choice(song, asked.first, asked.second, asked.chosen, asked.at_s))
    if isinstance(asked, _Abx):
        return Answer(words=said(asked.right, asked.of, asked.planned))
    answer = _done(asked, desk, song)
    desk.touched(song, asked.action)
    return answer


def _done(
    asked: _Turned | _Place | _Long | _Choices | _Rename | _Drop | _Reference, desk: "Desk", song: "OpenSong"
) -> Answer:
    match asked:
        case _Place():
            with desk.work.listening():
                return Answer(place=song.place(asked.start_s), versions=song.versions())
        case _Rename():
            song.rename(asked.version, asked.name)
        case _Drop():
            song.drop(asked.version)
        case _Reference():
            song.reference(asked.name, asked.on)
            return Answer()
        case _Told():
            return Answer()
        case _ByChoices():
            song.by_choices = asked.on
            return Answer()
        case _Keep() | _Search() | _Curve() | _Deliver() | _Compare():
            desk.work.submit(_job(asked, song))
            return Answer()
        case _:
            whole = song.verify_job()
            desk.work.put_off(whole.kind, whole.song)  # what is being verified is over
            with desk.work.listening():
                place = _turned(asked, song)
            desk.work.submit(whole, after_s=REST_S)
            return Answer(place=place, versions=song.versions())
    return Answer(versions=song.versions())


def _turned(asked: _Turned, song: "OpenSong") -> Heard | None:
    """What is under the hand becomes another, and the place is solved with it; None as long as nothing is."""
    match asked:
        case _Turn():
            return song.turn(asked.stage, asked.parameter, asked.value, asked.at_s)
        case _Switch():
            return song.switch(asked.stage, asked.on, asked.at_s)
        case _Lock():
            return song.lock(asked.stage, asked.parameter, asked.on, asked.at_s)
        case _Aim():
            wanted = asked.model_dump(include={"lufs", "loudest_part_lufs", "ceiling_dbtp"})
            return song.aim(asked.at_s, **wanted)
        case _Undo():
            return song.undo(asked.at_s)
        case _Redo():
            return song.redo(asked.at_s)
        case _Take():
            return song.take(asked.version, asked.at_s)
        case _Point():
            return song.take(f"point.{asked.lufs:g}", asked.at_s)


def _job(asked: _Long, song: "OpenSong") -> "DeskJob":
    """What takes long."""
    match asked:
        case _Keep():
            return song.keep_job(asked.name)
        case _Search():
            return song.search_job(asked.around)
        case _Curve():
            return song.curve_job()
        case _Compare():
            return song.compare_job(asked.version, asked.by)
        case _Deliver():
            exports = parse_exports(asked.formats, song.mix.rate_hz, song.mix.channels)
            names = [*names_of(song.files.stem, (), exports, song.mix.rate_hz), song.files.delivery.name]
            there = [name for name in names if (song.files.out / name).exists()]
            if there and not asked.replace:
                raise UsageError(
                    f"{quoted(there[0])} is there already. Say that it is to be replaced, or move it away."
                )
            return song.deliver_job(asked.formats, asked.version)
