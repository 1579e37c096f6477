"""The sheet for one processor: its own units and steps, what it cannot hold, its definitions."""

from __future__ import annotations

from pathlib import Path

import pytest
from msgspec.structs import replace

from tests.sheets.write_golden import GOLDEN, written_for_device, written_since
from xover.cli.entry import run
from xover.design.adapting.adaptation import adapt
from xover.files.preset_json import load
from xover.files.profile_json import load_profile
from xover.model.names import inert
from xover.model.processing import EqSection, Limit, Limiter
from xover.sheets.device import device_sheet
from xover.sheets.formats import FORMATS, sheet
from xover.sheets.limiter_test import limiter_trial
from xover.sheets.rows import Sheet, sheet_of
from xover.sheets.since import STEPS, changes_sheet

ROOT = Path(__file__).parents[2]
HALL = load(ROOT / "presets" / "harbour-hall.json")
OLD = load_profile(ROOT / "presets" / "processors" / "old-ferry-2x6.json")
MID = load_profile(ROOT / "presets" / "processors" / "jetty-4x8.json")


def device(profile=OLD, preset=HALL) -> Sheet:
    return device_sheet(preset, adapt(preset, profile), date="17 May 2025", revision="a1b2")


def row(made: Sheet, output: int, label: str) -> list[str]:
    entry = next(one for one in made.outputs[output].entries if one.label == label)
    return [figure.words for figure in entry.figures]


def test_the_device_s_own_figures_stand_on_it():
    made = device()
    assert row(made, 1, "High-pass") == ["Linkwitz-Riley", "24 dB/oct", "95.14 Hz"]
    assert row(made, 1, "EQ 1")[3] == "width 0.7 oct"
    # 343.2 m/s · 1.55 ms = 0.53 m, in steps of 2 cm.
    assert row(made, 0, "Delay") == ["0.54 m"]
    assert row(made, 1, "Peak limit")[0] == "+11.0 dBu peak"
    assert row(device(MID), 1, "Peak limit")[0] == "−7.00 dBFS peak"
    assert row(device(MID), 3, "Delay") == ["2482 samples"]


def test_what_cannot_be_held_is_a_remark():
    made = device()
    remarks = " ".join(made.outputs[0].remarks)
    assert "Cannot be held: Sub, rms limiter: the processor has no rms limiter" in remarks
    assert not any(entry.label.startswith("RMS limit") for entry in made.outputs[0].entries)


def test_bands_that_stand_at_an_input_instead_are_rows_there():
    # Eleven bands on each top, eight on the processor: three go to the inputs.
    peaks = tuple(
        EqSection(kind="peak", frequency_hz=200.0 * k, gain_db=-3.0, q=2.0) for k in range(1, 12)
    )
    outputs = tuple(replace(o, eq=o.eq if o.name == "Sub" else peaks) for o in HALL.outputs)
    preset = replace(HALL, groups=(), outputs=outputs)
    made = device(MID, preset)
    held = adapt(preset, MID).preset
    labels = [entry.label for entry in made.inputs[0].entries if entry.label.startswith("EQ")]
    assert labels == ["EQ 1", "EQ 2", "EQ 3"]
    assert len(held.inputs[0].eq) == 3
    rows = [one for one in made.outputs[1].entries if one.label.startswith("EQ")]
    assert [one.label for one in rows] == [f"EQ {k}" for k in range(1, 9)]
    assert [one.note for one in rows][:2] == ["EQ 4 in the preset", "EQ 5 in the preset"]


def test_a_note_beside_four_figures_finds_room_on_paper():
    pytest.importorskip("typst")
    top = HALL.outputs[1]
    changed = replace(top, eq=(replace(top.eq[0], gain_db=1.0), *top.eq[1:]))
    after = replace(HALL, outputs=(HALL.outputs[0], changed, *HALL.outputs[2:]))
    made = changes_sheet(HALL, sheet_of(HALL), after, sheet_of(after))
    row = next(e for block in made.outputs for e in block.entries if e.label == "Top L: EQ 1")
    assert (len(row.figures), row.note) == (4, "was peak, 315 Hz, −2.5 dB, Q 2")
    assert sheet(made, "pdf")


def test_changes_are_those_of_the_processor_s_own_bands():
    """A first band that moves into a free crossover leaves the others where they are typed."""
    peak = EqSection(kind="peak", frequency_hz=1_000.0, gain_db=-3.0, q=2.0)
    rumble = EqSection(kind="high_pass", frequency_hz=40.0, q=0.7071)
    top = replace(HALL.outputs[1], high_pass=None, eq=(peak,))
    presets = [
        replace(HALL, groups=(), outputs=(HALL.outputs[0], one, *HALL.outputs[2:]))
        for one in (top, replace(top, eq=(rumble, peak)))
    ]
    answers = [adapt(one, OLD) for one in presets]
    old, new = (device_sheet(one, made) for one, made in zip(presets, answers, strict=True))
    steps = changes_sheet(answers[0].arranged, old, answers[1].arranged, new)
    rows = [(block.name, entry.label) for block in steps.outputs for entry in block.entries]
    assert ("High-passes in, or up", "Top L: High-pass") in rows
    assert not any("EQ" in label for _, label in rows)


def test_a_band_that_stands_for_another_has_all_its_figures():
    eq = (
        EqSection(kind="notch", frequency_hz=250.0, q=4.0),
        EqSection(kind="low_shelf", frequency_hz=120.0, gain_db=4.0, order=1),
    )
    outputs = (replace(HALL.outputs[0], eq=()), replace(HALL.outputs[1], eq=eq))
    preset = replace(HALL, groups=(), outputs=(*outputs, *HALL.outputs[2:]))
    notch, shelf = row(device(OLD, preset), 1, "EQ 1"), row(device(OLD, preset), 1, "EQ 2")
    assert notch[0] == "peak"
    assert notch[2].startswith("−")
    assert notch[3].startswith("width ")
    assert shelf[0] == "low shelf"
    wide = replace(MID, eq=replace(MID.eq, first_order_kinds=("low_shelf",)))
    assert row(device(wide, preset), 1, "EQ 2")[0] == "low shelf, 1st order"
    assert len(row(device(wide, preset), 1, "EQ 2")) == 3


def test_definitions_are_the_device_s():
    text = " ".join(device().definitions)
    assert "EQ width is typed as bandwidth in octaves" in text
    assert "peak thresholds as the peak of a sine" in text
    assert "half the dB gain; a cut is the mirror" not in text


def test_a_short_name_is_a_row_of_its_own():
    made = device()
    assert row(made, 3, "Name") == ["DelayL"]
    assert made.outputs[3].name == "Delay L"


def test_the_trial_of_a_limiter_is_for_what_the_device_holds():
    made = device()
    feed, stop, measured = row(made, 1, "Peak limit, trial")
    # By hand: the old processor holds +11.0 dBu peak, 7.99 dBu rms; the feed is 6 dB over that.
    assert stop == "stops at +8.0 dBu"
    assert feed.startswith("feed +14.")
    assert measured == "measured ________"


@pytest.mark.parametrize(
    ("rms_dbu", "remark"),
    [
        (6.0, ""),
        (5.0, "with the other limit off, then on again"),
        (4.0, "with the lower limit off, then on again"),
        (None, ""),
    ],
)
def test_a_trial_has_no_other_limit_in_its_way(rms_dbu, remark):
    limit = Limit(threshold_dbu=5.0, attack_ms=1.0, release_ms=10.0)
    rms = None if rms_dbu is None else replace(limit, threshold_dbu=rms_dbu, attack_ms=50.0)
    output = replace(HALL.outputs[0], limiter=Limiter(rms=rms, peak=limit))
    assert limiter_trial(HALL, output, limit).remark == remark


@pytest.mark.parametrize("format", FORMATS)
def test_every_format_takes_it(format):
    if format == "pdf":
        pytest.importorskip("typst")
    assert sheet(device(), format)
    changed = replace(HALL, title="Later")
    assert sheet(changes_sheet(HALL, sheet_of(HALL), changed, sheet_of(changed)), format)


@pytest.mark.parametrize("name", ["device.txt", "device.csv"])
def test_kept_byte_for_byte(name):
    # After a wanted change: python -m tests.sheets.write_golden, and read the diff.
    assert written_for_device(name.rpartition(".")[2]) == (GOLDEN / name).read_bytes()


# What changed


def since(preset, before=HALL, profile=None) -> dict[str, list[str]]:
    if profile is None:
        made = changes_sheet(before, sheet_of(before), preset, sheet_of(preset))
    else:
        made = changes_sheet(before, device(profile, before), preset, device(profile, preset))
    return {
        block.name: [
            f"{entry.label} → {', '.join(f.words for f in entry.figures)}"
            for entry in block.entries
        ]
        for block in made.outputs
    }


TITLES = dict(STEPS)


def edited(name: str, **fields):
    outputs = tuple(replace(item, **fields) if item.name == name else item for item in HALL.outputs)
    return replace(HALL, outputs=outputs)


SUB = HALL.output("Sub")
TOP = HALL.output("Top L")


@pytest.mark.parametrize(
    ("preset", "step"),
    [
        (edited("Sub", gain_db=SUB.gain_db - 2.0), "down"),
        (edited("Sub", gain_db=SUB.gain_db + 2.0), "up"),
        (edited("Sub", inputs={"Aux": -6.0}), "down"),
        (edited("Sub", inputs={**SUB.inputs, "Left": 0.0}), "up"),
        (edited("Sub", polarity="inverted"), "neutral"),
        (edited("Sub", delay_ms=9.0), "neutral"),
        (edited("Sub", high_pass=replace(SUB.high_pass, frequency_hz=40.0)), "protect"),
        (edited("Sub", high_pass=replace(SUB.high_pass, frequency_hz=25.0)), "relax"),
        (edited("Sub", high_pass=None), "relax"),
        (edited("Sub", low_pass=replace(SUB.low_pass, frequency_hz=120.0)), "low"),
        (edited("Sub", limiter=None), "relax"),
        (edited("Sub", eq=(replace(SUB.eq[0], gain_db=-6.0),)), "neutral"),
        (edited("Sub", eq=(replace(SUB.eq[0], gain_db=-1.0),)), "boost"),
        (edited("Sub", eq=(replace(SUB.eq[0], gain_db=3.0),)), "boost"),
    ],
)
def test_each_change_stands_in_its_step(preset, step):
    found = since(preset)
    assert next(iter(found)) == TITLES["mute"]
    assert list(found)[-1] == TITLES["unmute"]
    assert set(found) - {TITLES["mute"], TITLES["unmute"]} == {TITLES[step]}


def test_what_goes_is_taken_out():
    found = since(edited("Sub", inputs={}, eq=()))
    assert any(line == "Sub: From Aux → take out" for line in found[TITLES["down"]])
    assert any(line.startswith("Sub: EQ") for line in found[TITLES["boost"]])


def test_thresholds_go_down_first_and_up_late():
    limiter = SUB.limiter
    lower = replace(limiter, rms=replace(limiter.rms, threshold_dbu=5.0))
    higher = replace(limiter, rms=replace(limiter.rms, threshold_dbu=12.0))
    assert TITLES["tighten"] in since(edited("Sub", limiter=lower))
    assert TITLES["relax"] in since(edited("Sub", limiter=higher))
    both = since(replace(edited("Sub", limiter=lower, gain_db=3.0), title="x"))
    order = list(both)
    assert order.index(TITLES["tighten"]) < order.index(TITLES["up"])


def test_unmuting_comes_last_one_output_at_a_time():
    preset = replace(HALL, outputs=tuple(replace(o, delay_ms=o.delay_ms + 1.0)
                                         for o in HALL.outputs))  # fmt: skip
    found = since(preset)
    assert [line.partition(":")[0] for line in found[TITLES["unmute"]]] == [
        inert(item.name) for item in HALL.outputs
    ]
    muted = since(edited("Sub", muted=True))
    assert TITLES["unmute"] not in muted


def test_nothing_changed_is_said():
    made = changes_sheet(HALL, sheet_of(HALL), HALL, sheet_of(HALL))
    assert made.outputs == ()
    assert made.notes == ("Nothing is to be entered: nothing changed.",)


def test_a_change_that_is_not_typed_in_is_no_lack_of_change():
    """Eight degrees more, nothing entered anew: the sheet must not say that nothing changed."""
    warmer = replace(HALL, air=replace(HALL.air, temperature_c=HALL.air.temperature_c + 8.0))
    made = changes_sheet(HALL, sheet_of(HALL), warmer, sheet_of(warmer))
    assert made.outputs == ()
    assert "nothing changed" not in made.notes[0]
    assert "`xover distance`" in made.notes[0]


def test_what_rounds_to_the_same_is_not_entered_again():
    # On a device in steps of 0.5 dB, +0.1 dB of gain changes nothing.
    assert since(edited("Top L", gain_db=0.1), profile=OLD) == {}


def test_an_output_that_is_new_and_one_that_is_gone():
    new = replace(TOP, name="Fill", channel=None)
    preset = replace(HALL, outputs=(*HALL.outputs[:-1], new), groups=(), sources=(),
                     measurements=())  # fmt: skip
    found = since(preset)
    assert any("Delay R: Mute → MUTED" in line for line in found[TITLES["mute"]])
    assert any(line.startswith("Fill: High-pass") for line in found[TITLES["protect"]])
    assert any(line.startswith("Fill: From Left") for line in found[TITLES["up"]])


def test_the_kept_list_of_changes():
    assert written_since() == (GOLDEN / "since.txt").read_bytes()


def test_commands(tmp_path, capsys):
    hall = str(ROOT / "presets" / "harbour-hall.json")
    old = str(ROOT / "presets" / "processors" / "old-ferry-2x6.json")
    assert run(["sheet", hall, "--processor", old]) == 0
    assert "width 0.7 oct" in capsys.readouterr().out
    assert run(["sheet", hall, "--since", hall]) == 0
    assert "Nothing is to be entered" in capsys.readouterr().out


def test_long_names_wrap_in_every_row():
    long = "W" * 120
    renamed = replace(HALL.outputs[0], name=long)
    preset = replace(HALL, outputs=(renamed, *HALL.outputs[1:]), groups=(), sources=(),
                     measurements=(), amplifier_channels=())  # fmt: skip
    capable = replace(OLD, name_characters=119)
    made = device_sheet(preset, adapt(preset, capable))
    for shown in (made, changes_sheet(HALL, device(preset=HALL), preset, made)):
        lines = sheet(shown, "txt").decode().splitlines()
        assert max(map(len, lines)) <= 80
        assert sum(line.count("W") for line in lines) >= 119
