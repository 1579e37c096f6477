"""Text columns: every common shape comes back the same; what is open or broken is refused."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from xover.files.traces import read_text
from xover.model.problems import Refused


def text(*lines: str) -> bytes:
    return "\n".join(lines).encode()


# ---- round trip -------------------------------------------------------------------------------

NUMBER = st.integers(-150_000, 150_000).map(lambda n: n / 1000)


@st.composite
def responses(draw):
    steps = draw(st.lists(st.integers(1, 400_000), min_size=2, max_size=12))
    frequency = np.cumsum(steps) / 100 + 5.0
    n = len(steps)
    columns = draw(st.integers(2, 4))
    magnitude = draw(st.lists(NUMBER, min_size=n, max_size=n))
    phase = draw(st.lists(NUMBER, min_size=n, max_size=n))
    coherence = draw(st.lists(st.integers(0, 1000).map(lambda c: c / 1000), min_size=n, max_size=n))
    return frequency.tolist(), magnitude, phase, coherence, columns


NAMES = {
    "en": ("Frequency", "Magnitude", "Phase", "Coherence"),
    "de": ("Frequenz", "Pegel", "Phase", "Kohärenz"),
    "fr": ("Fréquence", "Niveau", "Phase", "Cohérence"),
    "es": ("Frecuencia", "Nivel", "Fase", "Coherencia"),
}
PARTS = {
    "en": ("re", "im"),
    "de": ("Realteil", "Imaginärteil"),
    "fr": ("Réel", "Imaginaire"),
    "es": ("Real", "Imaginaria"),
}


@settings(max_examples=400, deadline=None)
@given(
    response=responses(),
    separator=st.sampled_from([";", "\t", " ", "   ", ",", ", ", "; ", " ;\t"]),
    comma=st.booleans(),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252"]),
    ending=st.sampled_from(["\n", "\r\n", "\r"]),
    language=st.sampled_from(sorted(NAMES)),
    mark=st.sampled_from(["", "# ", "* ", "; ", "% ", "// "]),
    quoted=st.booleans(),
    khz=st.booleans(),
    linear=st.booleans(),
    radians=st.booleans(),
    zero=st.booleans(),
    parts=st.booleans(),
    order=st.sampled_from(["up", "down", "runs", "mixed", "twice"]),
    title=st.sampled_from(["", "Capture 2026-05-01 17:30, seat 4", "48 kHz, 1/24", "測定 その1"]),
)
def test_any_rendering_reads_back(
    response, separator, comma, encoding, ending, language, mark, quoted, khz, linear, radians,
    zero, parts, order, title,
):  # fmt: skip
    """Property: a response rendered in any combination of shapes comes back the same.

    The oracle is the generated response itself; figures are written with 17 digits.
    """
    frequency, magnitude, phase, coherence, columns = response
    parts = parts and columns > 2
    if "," in separator:
        comma = False
    if encoding == "cp1252":
        title = title.encode("ascii", "replace").decode()
    units = ("kHz" if khz else "Hz", "linear" if linear else "dB", "rad" if radians else "deg", "1")
    data = [
        [f / 1000 if khz else f for f in frequency],
        [10 ** (m / 20) if linear else m for m in magnitude],
        [math.radians(p) if radians else p for p in phase],
        coherence,
    ][:columns]
    names = NAMES[language]
    if parts:
        value = 10 ** (np.array(magnitude) / 20) * np.exp(1j * np.radians(phase))
        data[1:3] = [value.real.tolist(), value.imag.tolist()]
        names, units = (names[0], *PARTS[language], names[3]), (units[0], "V", "V", "1")

    def shown(value: float) -> str:
        figure = repr(float(value))
        return figure.replace(".", ",") if comma else figure

    def field(value: str) -> str:
        return f'"{value}"' if quoted and separator.strip() else value

    heading = [f"{name}[{unit}]" for name, unit in zip(names, units, strict=True)]
    if mark == "; " and separator == " ;\t":
        mark = "# "
    lines = [title, "", mark + separator.join(map(field, heading[:columns]))]
    rows = list(zip(*data, strict=True))
    if order == "mixed":
        rows = [rows[k] for k in np.random.default_rng(len(rows)).permutation(len(rows))]
    sequence = {"down": rows[::-1], "runs": rows[::2] + rows[1::2], "twice": rows + rows[:2]}
    rows = sequence.get(order, rows)
    if zero:
        rows = [(0.0,) * columns, *rows]
    lines += [separator.join(field(shown(value)) for value in row) for row in rows]
    captured = read_text((ending.join(lines) + ending).encode(encoding), name="made.txt")
    np.testing.assert_allclose(captured.frequency_hz, frequency, rtol=1e-14)
    np.testing.assert_allclose(captured.magnitude_db, magnitude, rtol=0, atol=1e-10)
    if columns > 2:
        turn = captured.phase_deg - np.array(phase)
        turn -= 360 * np.rint(turn / 360) * parts
        np.testing.assert_allclose(turn, 0, rtol=0, atol=1e-10)
    else:
        assert captured.phase_deg is None
    if columns > 3:
        np.testing.assert_array_equal(captured.coherence, coherence)
    else:
        assert captured.coherence is None
    said = " ".join(captured.understood)
    assert ("row at 0 Hz" in said) == zero
    assert ("kHz (" in said) == khz
    assert ("real and imaginary" in said) == parts
    if order in ("down", "twice"):
        word = {"down": "turned round", "twice": "say the same once more are left out: 2"}[order]
        assert word in said
    assert captured.level == "relative"
    assert captured.delay_ms == 0.0


# ---- what is understood -----------------------------------------------------------------------


def test_order_of_columns_follows_the_headings():
    captured = read_text(text("Phase (deg);SPL (dB);Freq. (Hz)", "-30;90,5;20", "12;91;40"))
    np.testing.assert_array_equal(captured.frequency_hz, [20, 40])
    np.testing.assert_array_equal(captured.magnitude_db, [90.5, 91])
    np.testing.assert_array_equal(captured.phase_deg, [-30, 12])
    assert any("columns by their headings: phase, magnitude, frequency" in s
               for s in captured.understood)  # fmt: skip


def test_a_line_of_units_under_the_names_counts():
    captured = read_text(text("Freq\tMag\tPhase", "kHz\tlin\trad", "0.1\t2\t1", "0.2\t1\t1"))
    np.testing.assert_allclose(captured.frequency_hz, [100, 200])
    np.testing.assert_allclose(captured.magnitude_db, [20 * math.log10(2), 0])
    np.testing.assert_allclose(captured.phase_deg, math.degrees(1))


def test_a_sample_rate_in_the_prose_is_no_unit_of_frequency():
    captured = read_text(text("Sample rate 48 kHz", "", "20 -1", "300 1"))
    np.testing.assert_array_equal(captured.frequency_hz, [20, 300])


@pytest.mark.parametrize("row", ["0 -inf 0", "0.000e+00 NaN 0", "0, 0, 0"])
def test_one_leading_row_at_0_hz_is_left_out_and_said(row):
    between = ", " if "," in row else " "
    captured = read_text(
        text(row, between.join(("10", "-3.5", "45")), between.join(("20", "-1.5", "40")))
    )
    np.testing.assert_array_equal(captured.frequency_hz, [10, 20])
    assert "the row at 0 Hz (line 1) is left out" in captured.understood


def test_comments_and_blank_lines_between_rows_are_left_out_and_counted():
    captured = read_text(text("20 -1", "# moved the microphone", "", "40 -2", '"end"'))
    np.testing.assert_array_equal(captured.frequency_hz, [20, 40])
    assert "comment lines left out: 2" in captured.understood


def test_a_separator_behind_every_row_is_no_column():
    captured = read_text(text("20;-1,5;", "30;-2;", "400;-3;"))
    np.testing.assert_array_equal(captured.magnitude_db, [-1.5, -2, -3])


def test_the_true_minus_sign_and_hard_spaces_are_read():
    captured = read_text("20\u00a0\u22121,5\n40\u00a02,25".encode())
    np.testing.assert_array_equal(captured.magnitude_db, [-1.5, 2.25])


def test_rows_out_of_order_are_sorted_and_what_was_done_is_said():
    runs = read_text(text("Hz dB", "20 -1", "40 -3", "10 -4", "30 -2"))
    np.testing.assert_array_equal(runs.frequency_hz, [10, 20, 30, 40])
    np.testing.assert_array_equal(runs.magnitude_db, [-4, -1, -2, -3])
    assert "the frequencies begin anew on line 4; the rows are sorted" in runs.understood
    mixed = read_text(text("40 -3", "20 -1", "30 -2", "10 -4", "20 -1"))
    said = " ".join(mixed.understood)
    assert "fall back 2 times (the first time on line 2)" in said
    assert "once more are left out: 1 (the first on line 5)" in said
    np.testing.assert_array_equal(mixed.magnitude_db, [-4, -1, -2, -3])


@pytest.mark.parametrize(
    ("repeated", "magnitude_db", "phase_deg"),
    [
        # By hand: 1 at 0° and 2 at 90°: power (1 + 4)/2, complex |1 + 2j|/2 at 63.435°.
        ("power", 10 * math.log10(2.5), None),
        ("complex", 20 * math.log10(math.sqrt(5) / 2), math.degrees(math.atan2(2, 1))),
        ("first", 0.0, 0.0),
        ("last", 20 * math.log10(2), 90.0),
    ],
)
def test_rows_of_one_frequency_that_differ_are_done_with_as_asked(
    repeated, magnitude_db, phase_deg
):
    lines = ("Hz lin deg", "50 3 0", "100 1 0", "50 3 0", "100 2 90", "200 1 0")
    with pytest.raises(Refused, match=r"line 5: the frequency 100 comes twice.*first on line 3"):
        read_text(text(*lines))
    captured = read_text(text(*lines), repeated=repeated)
    np.testing.assert_array_equal(captured.frequency_hz, [50, 100, 200])
    assert captured.magnitude_db[1] == pytest.approx(magnitude_db, abs=1e-12)
    assert captured.magnitude_db[0] == pytest.approx(20 * math.log10(3))
    if phase_deg is None:
        assert captured.phase_deg is None
        assert "a mean of power has no phase" in captured.understood[-1]
    else:
        assert captured.phase_deg[1] == pytest.approx(phase_deg)
    assert "as asked" in " ".join(captured.understood)


def test_a_complex_mean_needs_phase_and_something_left():
    with pytest.raises(Refused, match="complex mean needs phase"):
        read_text(text("20 -1", "20 -2", "30 -1"), repeated="complex")
    with pytest.raises(Refused, match="cancel each other"):
        read_text(text("Hz re im", "20 1 0", "20 -1 0", "30 1 0"), repeated="complex")


def test_real_and_imaginary_part_without_headings_are_asked_for():
    """A 5 ms delay with a smooth level: neither column alone is smooth, their length is."""
    frequency = np.arange(20.0, 1000.0, 10.0)
    value = 10 * np.exp(-2j * np.pi * frequency * 0.005) * np.linspace(1, 2, frequency.size)
    lines = [f"{f} {v.real:.6f} {v.imag:.6f}" for f, v in zip(frequency, value, strict=True)]
    with pytest.raises(Refused, match="look like real and imaginary part"):
        read_text(text(*lines))
    captured = read_text(text(*lines), columns=("frequency", "real", "imag"))
    np.testing.assert_allclose(captured.response(), value, atol=1e-5)


def test_a_level_re_something_is_no_real_part():
    captured = read_text(text("Hz;dB re 20 µPa;deg", "20;90;30", "30;91;40"))
    np.testing.assert_array_equal(captured.magnitude_db, [90, 91])


@pytest.mark.parametrize(
    ("columns", "message"),
    [
        (("frequency", "real", "skip"), "real and imag together"),
        (("frequency", "magnitude", "imag"), "real and imag together"),
        (("magnitude", "real", "imag"), "needs a frequency"),
        (("frequency", "skip", "phase"), "needs a magnitude, or real and imag"),
        (("frequency", "real", "real"), "names a kind of column twice"),
    ],
)
def test_columns_that_make_no_response(columns, message):
    with pytest.raises(Refused, match=message):
        read_text(text("20 1 30", "30 2 40"), columns=columns)


def test_headings_with_both_forms_are_asked_about_and_units_of_the_other_refused():
    lines = ("Hz dB deg Re Im", "20 0 0 1 0", "30 6.0206 90 0 2")
    with pytest.raises(Refused, match="either magnitude and phase or real and imag, not both"):
        read_text(text(*lines))
    captured = read_text(text(*lines), columns=("frequency", "skip", "skip", "real", "imag"))
    np.testing.assert_allclose(captured.magnitude_db, [0, 6.0206], atol=1e-4)
    with pytest.raises(Refused, match="--magnitude does not apply"):
        read_text(text("Hz Re Im", "20 0 1", "30 1 1"), magnitude="db")


def test_coarse_phase_is_said():
    rows = (f"{100 + 100 * i} 0 {(-150 * i) % 360 - 180}" for i in range(20))
    captured = read_text(text("Hz dB deg", *rows))
    assert "not to be trusted" in captured.understood[-1]


# ---- ambiguity: settled by stated evidence or refused with the option that answers ------------


@pytest.mark.parametrize(
    ("lines", "option", "answer", "column", "expected"),
    [
        (["20 0.5", "300 1.2"], "--magnitude db or linear", {"magnitude": "db"},
         "magnitude_db", [0.5, 1.2]),
        (["20 0.5", "300 1"], "--magnitude db or linear", {"magnitude": "linear"},
         "magnitude_db", [-6.020599913279624, 0]),
        (["0.02 -1", "20 -2"], "--frequency-unit hz or khz", {"frequency_unit": "khz"},
         "frequency_hz", [20, 20000]),
        (["0.02 -1", "20 -2"], "--frequency-unit hz or khz", {"frequency_unit": "hz"},
         "frequency_hz", [0.02, 20]),
        (["20 -1 1.5", "300 2 -3"], "--phase-unit deg or rad", {"phase_unit": "deg"},
         "phase_deg", [1.5, -3]),
        (["20 -1 1.5", "300 2 -3"], "--phase-unit deg or rad", {"phase_unit": "rad"},
         "phase_deg", [85.94366926962348, -171.88733853924697]),
        (["20,500;-1,250", "300,000;2,000"], "--decimal \",\"", {"decimal": ","},
         "frequency_hz", [20.5, 300]),
        (["20,3,45", "300,2,60"], "--decimal \"[.]\"", {"decimal": ".", "magnitude": "db"},
         "phase_deg", [45, 60]),
        (["20,5, -3,2", "300,5, -4,1"], "--decimal \"[.]\"", {"decimal": ","},
         "magnitude_db", [-3.2, -4.1]),
        (["20 -1 0.5", "300 2 0.7"], "--columns frequency,magnitude,phase or",
         {"columns": ("frequency", "magnitude", "coherence")}, "coherence", [0.5, 0.7]),
        (["Hz;dB;THD", "20;-1;3", "300;2;4"], "“THD”",
         {"columns": ("frequency", "magnitude", "skip")}, "magnitude_db", [-1, 2]),
        (["Hz;dB;dB", "20;-1;3", "300;2;4"], "second magnitude",
         {"columns": ("frequency", "skip", "magnitude")}, "magnitude_db", [3, 4]),
        (["Hz;ohm;deg", "20;8;30", "300;6;40"], "“ohm”",
         {"columns": ("frequency", "magnitude", "phase"), "magnitude": "linear"},
         "magnitude_db", [18.06179973983887, 15.563025007672874]),
        (["20 -1 30 1 5", "300 2 40 1 6"], "5 columns without headings",
         {"columns": ("frequency", "magnitude", "phase", "coherence", "skip")},
         "coherence", [1, 1]),
    ],
)  # fmt: skip
def test_what_changes_the_numbers_is_asked(lines, option, answer, column, expected):
    with pytest.raises(Refused, match=option):
        read_text(text(*lines))
    captured = read_text(text(*lines), **answer)
    np.testing.assert_allclose(getattr(captured, column), expected, rtol=1e-12)


@pytest.mark.parametrize(
    ("lines", "said"),
    [
        (["20 -1", "300 1"], "magnitude in dB (there are negative values)"),
        (["20 0", "300 0"], "magnitude in dB (it is 0 throughout"),
        (["20 88", "300 92"], "magnitude in dB (the values lie where sound levels"),
        (["20 -1 45", "300 1 60"], "phase in degrees (it reaches 60.0"),
        (["20 -1 3.1", "300 1 -3.1"], "phase in radians (it jumps by a circle"),
        (["20,-1", "300,1"], "separated by commas (else there would be one column)"),
        (["20,1,-40", "300,-1,40"], "separated by commas (a sign follows each somewhere)"),
        (["Frequency,Level,Phase", "20,-1,40", "300,-2,50"], "(as many as in the heading)"),
        (["20,5 -1,25", "300 1"], "separated by spaces, decimal commas"),
    ],
)
def test_evidence_is_stated(lines, said):
    captured = read_text(text(*lines))
    assert said in " ".join(captured.understood)


def test_two_kinds_of_separator_are_refused_rather_than_split_wrongly():
    with pytest.raises(Refused, match="both commas and spaces"):
        read_text(text("1,000.0 -3.0", "2,000.0 -3.5"))
    with pytest.raises(Refused, match="commas as well as points"):
        read_text(text("1.000,5;-3", "2.000,5;-4"))


# ---- what cannot be read, with its line ---------------------------------------------------------


@pytest.mark.parametrize(
    ("lines", "message"),
    [
        (["20 -1", "30 -2 5"], "line 2: 3 columns where the rows before have 2"),
        (["# x", "20 -1", "", "30"], "line 4: 1 column where"),
        (["20;-1;5", "30;;6"], "line 2: a column is empty"),
        (["20 -1", "30 x"], "line 2: “x” is not a number"),
        (["20 -1", "30 1_0"], "line 2: “1_0” is not a number"),
        (["20 -1", "30 ١"], "line 2: “١” is not a number"),
        (["20 -1", "30 nan"], "line 2: “nan” is not a number"),
        (["20 -1", "30 -inf"], "line 2: “-inf” is not a number"),
        (["20 -1", "30 1e999"], "line 2: “1e999” is out of all range"),
        (["20 nan", "30 -1"], "line 1: “nan” is not a number"),
        (["20 -3.x", "30 -1"], "line 1: “-3.x” is not a number"),
        (["20 n/a", "30 n/a"], "line 1: “n/a” is not a number"),
        (["20 -1", "0 -2"], "line 2: a frequency of 0 is not above 0"),
        (["0 -1", "0 -2", "10 -1"], "line 2: a frequency of 0 is not above 0"),
        (["-20 -1", "30 -2"], "line 1: a frequency of −20 is not above 0"),
        (["20 -1", "20 -2"], "line 2: the frequency 20 comes twice"),
        (["# a", "30 -1", "20 1", "30 -2"], "line 4: the frequency 30 comes twice with different "
         "values, first on line 2; answer with --repeated"),
        (["Hz re im", "20 0 1", "30 0 0"], "line 3: a response of 0 has no level"),
        (["20000000 -1", "30000000 1"], "line 1: 20000000 Hz is above 1 MHz"),
        (["20 -1", "300 -1001"], "line 2: −1001 dB is out of range"),
        (["20 -1 30 0.5", "300 -1 30 1.01"], "line 2: a coherence of 1.01 is outside"),
        (["Hz lin", "20 1", "300 0"], "line 3: a linear magnitude of 0 has no level"),
        (["Hz lin", "20 1", "300 -1"], "line 3: a linear magnitude of −1 has no level"),
        (["480", "20 -1"], "line 1: one number in the row"),
        (["0 -1"], "there is no row above 0 Hz"),
        ([""], "the file is empty; look at the original"),
        (["", "  "], "the file is empty; look at the original"),
        (["frequency;level"], "there are no rows of numbers"),
        (["20 -1\0"], "binary"),
        (["20;-1;", "30;-1;", "40;-1;2"], "line 1: a column is empty"),
    ],
)  # fmt: skip
def test_what_cannot_be_read_is_named_with_its_line(lines, message):
    with pytest.raises(Refused) as refused:
        read_text(text(*lines), name="made.txt")
    assert message in str(refused.value)
    assert str(refused.value).startswith("made.txt")


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"\xff\xfe2\x000\x00 \x00-\x001\x00\n", "marked as UTF-16 but is not"),
        (b"\xef\xbb\xbf20 \xff", "marked as UTF-8 but is not"),
        (b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR", "binary"),
        (b"20 -1\n" * 2_000_001, "2000002 lines, more than"),
        (b"20 -1\n" + b"1 " * 5001, "line 2: the line has 10002 characters"),
        (
            b"20 -1" + b" 5" * 29 + b"\n" + (b"21 -1" + b" 5" * 29 + b"\n") * 270_000,
            "270001 rows of 31 columns are more than",
        ),
    ],
)
def test_bytes_that_are_no_text_are_refused(data, message):
    with pytest.raises(Refused, match=message):
        read_text(data)


def test_a_missing_file_a_folder_and_a_name_without_sense(tmp_path):
    with pytest.raises(Refused, match="there is no such file"):
        read_text(tmp_path / "none.txt")
    with pytest.raises(Refused, match="it is a folder"):
        read_text(tmp_path)
    with pytest.raises(Refused, match="could not be read"):
        read_text("a\0b")


@settings(max_examples=300, deadline=None)
@example(b'0 1\r"')
@given(
    st.binary(max_size=60) | st.text('0123456789+-.,;eE \t\n\r"#naif°', max_size=60).map(str.encode)
)
def test_any_bytes_are_read_or_refused(data):
    """Property: nothing but `Refused` is ever raised, and what is read keeps its promises."""
    try:
        captured = read_text(data)
    except Refused:
        return
    frequency = captured.frequency_hz.tolist()
    assert frequency[0] > 0
    assert all(low < high for low, high in pairwise(frequency))
    assert np.isfinite(captured.magnitude_db).all()


def test_a_long_table_reads_as_numpy_reads_it():
    """Reference: `numpy.loadtxt` on the same 100,000 rows."""
    frequency = np.linspace(1, 20_000, 100_000)
    body = "\n".join(f"{f:.4f}\t{-f / 1e4:.4f}\t{f % 360 - 180:.3f}\t0.5" for f in frequency)
    captured = read_text(("Hz\tdB\tdeg\tcoherence\n" + body).encode())
    theirs = np.loadtxt(body.splitlines(), unpack=True)
    np.testing.assert_array_equal(captured.frequency_hz, theirs[0])
    np.testing.assert_array_equal(captured.magnitude_db, theirs[1])
    np.testing.assert_array_equal(captured.phase_deg, theirs[2])
    np.testing.assert_array_equal(captured.coherence, theirs[3])
