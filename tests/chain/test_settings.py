"""The settings of a chain: told apart by stage and parameter, frozen, the same on file and inside."""

import json
import pickle
from dataclasses import FrozenInstanceError
from typing import get_args

import hypothesis.strategies as st
import pytest
from hypothesis import given

from autochain.chain import settings as names
from autochain.chain.chain import DEFAULT, STAGES
from autochain.chain.settings import (
    CLIPPER,
    DRIVE,
    LIMITER,
    NOTHING_SET,
    OUTPUT,
    STAGE_NAMES,
    ChainSettings,
    StageName,
    StageSettings,
)
from autochain.errors import ParameterError

SOME = ChainSettings({DRIVE: {"gain_db": 3.0}, LIMITER: {"release_ms": 80.0, "release_behaviour": "by_work"}})
VALUES = st.floats(allow_nan=False, allow_infinity=False) | st.sampled_from(["fixed", "rms"])
ANY = st.dictionaries(st.sampled_from(STAGE_NAMES), st.dictionaries(st.sampled_from(["a_db", "b_ms"]), VALUES))


def test_every_stage_has_a_name_and_a_constant_that_says_it_in_the_order_of_the_chain():
    assert tuple(STAGES) == STAGE_NAMES == get_args(StageName)
    assert [stage.name for stage in STAGES.values()] == list(STAGE_NAMES)
    assert [getattr(names, name.upper()) for name in STAGE_NAMES] == list(STAGE_NAMES)


def test_numbers_are_numbers_and_choices_are_words():
    limiter = SOME[LIMITER]
    assert limiter["release_ms"] == 80.0
    assert limiter.word("release_behaviour") == "by_work"
    assert (limiter.value("release_ms"), limiter.value("release_behaviour")) == (80.0, "by_work")
    with pytest.raises(TypeError, match="release_behaviour is the word 'by_work', not a number"):
        limiter["release_behaviour"]
    with pytest.raises(TypeError, match="release_ms is the number 80, not a word"):
        limiter.word("release_ms")


def test_what_is_not_there_is_none_where_it_may_be_and_named_where_it_must_not():
    assert SOME.get(CLIPPER, "ceiling_dbfs") is None
    assert SOME.value(LIMITER, "attack_ms") is None
    assert SOME.of(CLIPPER) == StageSettings()
    assert SOME[LIMITER].get("attack_ms", 2.0) == 2.0
    assert SOME[LIMITER].word("phase", "minimum") == "minimum"
    with pytest.raises(KeyError, match=r"relese_ms is not set. Did you mean release_ms\?"):
        SOME[LIMITER]["relese_ms"]
    with pytest.raises(KeyError, match=r"zzz is not set. Set are release_ms, release_behaviour."):
        SOME[LIMITER].value("zzz")
    with pytest.raises(KeyError, match=r"clipper is not in."):
        SOME[CLIPPER]


def test_a_stage_and_a_setting_are_asked_for_alike():
    assert LIMITER in SOME
    assert CLIPPER not in SOME
    assert (LIMITER, "release_ms") in SOME
    assert (LIMITER, "attack_ms") not in SOME
    assert (CLIPPER, "softness") not in SOME


def test_nothing_changes_what_is_there():
    given_values = {"gain_db": 3.0}
    own = ChainSettings({DRIVE: given_values})
    given_values["gain_db"] = 4.0
    own.plain()[DRIVE]["gain_db"] = 5.0
    own.with_(DRIVE, gain_db=6.0)
    assert own.get(DRIVE, "gain_db") == 3.0
    for frozen, name in ((own, "_stages"), (own[DRIVE], "_values")):
        with pytest.raises(FrozenInstanceError):
            setattr(frozen, name, {})
    with pytest.raises(TypeError):
        own[DRIVE]["gain_db"] = 7.0  # type: ignore[index]


def test_changes_give_new_settings_and_keep_the_order():
    louder = SOME.with_(DRIVE, gain_db=5.0).with_(OUTPUT, {"trim_db": -0.5})
    assert list(louder) == [DRIVE, LIMITER, OUTPUT]
    assert list(SOME.with_(LIMITER, attack_ms=1.0)[LIMITER]) == ["release_ms", "release_behaviour", "attack_ms"]
    assert louder.without(LIMITER).plain() == {"drive": {"gain_db": 5.0}, "output": {"trim_db": -0.5}}
    assert list(louder.only((OUTPUT, CLIPPER, DRIVE))) == [OUTPUT, DRIVE]
    both = SOME | ChainSettings({LIMITER: {"release_ms": 90.0}, CLIPPER: {}})
    assert both.plain() == {**SOME.plain(), "limiter": {**SOME.plain()["limiter"], "release_ms": 90.0}, "clipper": {}}
    assert list(DEFAULT.checked(louder.only((OUTPUT, LIMITER, DRIVE)))) == [DRIVE, LIMITER, OUTPUT]


def test_equal_settings_are_equal_and_hash_alike_whatever_their_order():
    turned = ChainSettings({LIMITER: {"release_behaviour": "by_work", "release_ms": 80}, DRIVE: {"gain_db": 3.0}})
    assert turned == SOME
    assert hash(turned) == hash(SOME)
    assert SOME.with_(DRIVE, gain_db=3.1) != SOME
    assert SOME.holds(ChainSettings({LIMITER: {"release_ms": 80.0}}))
    assert not SOME.holds(ChainSettings({LIMITER: {"release_ms": 81.0}}))
    assert not SOME.holds(ChainSettings({CLIPPER: {"softness": 0.0}}))
    assert SOME.holds(NOTHING_SET)


def test_flat_names_are_those_of_the_command_line():
    assert SOME.flat() == {"drive.gain_db": 3.0, "limiter.release_ms": 80.0, "limiter.release_behaviour": "by_work"}


@given(ANY)
def test_files_and_processes_give_the_same_settings_back(values):
    own = ChainSettings(values)
    plain = json.loads(json.dumps(own.plain()))
    assert ChainSettings.from_plain(plain) == own
    assert json.dumps(ChainSettings.from_plain(plain).plain()) == json.dumps(own.plain())
    assert pickle.loads(pickle.dumps(own)) == own
    assert "-0.0" not in json.dumps(ChainSettings({DRIVE: {"gain_db": -0.0}}).plain())


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({"limitr": {}}, r"'limitr' is not a stage of the chain. Did you mean limiter\?"),
        ({"limiter": {"relese_ms": 1.0}}, r"limiter.relese_ms is not a parameter. Did you mean release_ms\?"),
        ({"limiter": {"release_ms": 1e9}}, r"limiter.release_ms is 1e\+09 ms; it must be 2 to 1000 ms"),
        ({"limiter": {"release_behaviour": "fixd"}}, r"it can be fixed, by_work, two_stage. Did you mean fixed\?"),
        ({"limiter": {"release_behaviour": 1.0}}, r"is 1.0; it can be fixed, by_work, two_stage. Choose one of them."),
        ({"limiter": {"release_ms": "soon"}}, r"limiter.release_ms: 'soon' is not a number. Write a number in ms."),
    ],
)
def test_a_chain_refuses_what_it_does_not_have(values, words):
    with pytest.raises(ParameterError, match=words):
        DEFAULT.checked(values)
