"""What the sheet says of a rotation, used or left out."""

from autochain.chain.settings import ChainSettings
from autochain.config import read_config
from autochain.prepare.symmetry import Rotation
from autochain.search.notes import rotation_note
from autochain.solve.decisions import Decisions

CONFIG = read_config(None, {})
LATE = Rotation(
    kind="allpass", angle_deg=0.0, freq_hz=200.0, q=0.4, sections=3, saving_db=0.62, price_db=0.8,
    unused_because="late",
    group_delay_ms=11.56, attack_loss_db=0.41,
)  # fmt: skip


def said(rotation, settings=None, decisions=None):
    return rotation_note(CONFIG, ChainSettings(settings or {}), rotation, decisions or Decisions())


def test_a_used_rotation_names_saving_and_pre_echo():
    angle = Rotation(
        angle_deg=60.0, saving_db=1.91, price_db=0.15, used=True, pre_echo_db=-4.26, early_echo_db=-25.71
    )
    (note,) = said(angle, {"rotation": {"kind": "constant", "angle_deg": 60.0, "q": 0.71}})
    assert "saves the peak stages 1.9 dB" in note.text
    assert "an echo: 4.3 dB below the click within the last 5 ms; 25.7 dB below it without the last 1 ms." in note.text
    assert said(angle, {"rotation": {"kind": "constant", "angle_deg": 30.0}}) == ()  # locked: another one


def test_one_left_out_names_what_was_there_to_gain_and_why():
    (late,) = said(LATE)
    assert late.code == "rotation_left_out"
    assert "would save the peak stages 0.6 dB. It is left out." in late.text
    assert "Lows come up to 11.6 ms late. Hits start 0.4 dB softer." in late.text
    assert "Where lows come over 5 ms late, it has to save at least 1.5 dB." in late.text
    assert "rotation.kind=allpass" in late.suggestion
    assert "rotation.sections=3" in late.suggestion
    (small,) = said(Rotation(angle_deg=10.0, saving_db=0.3, unused_because="small"))
    assert "Less than 0.5 dB is not worth one." in small.text
    (price,) = said(Rotation(angle_deg=10.0, saving_db=0.6, price_db=0.7, unused_because="price"))
    assert "That takes 0.7 dB off the saving. Less than 0.5 dB is left." in price.text


def test_nothing_is_said_where_nothing_was_to_gain_or_the_engineer_decided():
    assert said(Rotation(angle_deg=10.0, saving_db=0.1, unused_because="small")) == ()
    assert said(LATE, decisions=Decisions(without=frozenset({"rotation"}))) == ()
    assert said(LATE, {"rotation": {"kind": "constant", "angle_deg": 90.0}}) == ()
