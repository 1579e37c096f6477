"""Files that nobody should have written: always one refusal, never another exception."""

from __future__ import annotations

import io
import json
import os
import sys
import time
import unicodedata
from types import SimpleNamespace
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from tests.strategies import everything, minimal, presets
from tests.trees import faults_in
from xover.files.preset_json import dumps, load, loads
from xover.model.places import form, leaves, parse
from xover.model.problems import Refused
from xover.model.walk import tree_of

WHOLE = dumps(everything())
SMALL = dumps(minimal())


def harmless(text: str) -> bool:
    """Whether a text holds nothing that acts on a terminal: controls, formats, half characters."""
    return not {unicodedata.category(one) for one in text} & {"Cc", "Cf", "Cs", "Zl", "Zp"}


def refusal(data: bytes) -> str:
    """The one sentence with which these bytes are refused."""
    with pytest.raises(Refused) as caught:
        loads(data)
    assert len(caught.value.faults) == 1
    text = str(caught.value)
    assert harmless(text)
    assert len(text) < 300
    return text


def with_number(text: str) -> bytes:
    return SMALL.replace(b'"gain_db": 0', b'"gain_db": ' + text.encode(), 1)


@pytest.mark.parametrize(
    ("data", "sentence"),
    [
        (b"", "the file is empty"),
        (b" \n\t ", "the file is empty"),
        (b"\xef\xbb\xbf", "the file is empty"),
        (WHOLE.decode().encode("utf-16"), "UTF-16 text; save it as UTF-8"),
        (WHOLE.decode().encode("utf-16-le"), "UTF-16 text"),
        (WHOLE.decode().encode("utf-16-be"), "UTF-16 text"),
        ('{"venue":\n "é"}'.encode("latin-1"), "line 2 is not UTF-8 text (byte 0xe9, 13 bytes"),
        (SMALL + b"\x00", "binary data"),
        (SMALL.replace(b"Smallest", b"Small\x00est"), "binary data"),
        (b"RIFF\x24\x00\x00\x00WAVE", "seems to be an audio file, not a preset"),
        (b"PK\x03\x04\x14\x00", "a ZIP archive"),
        (b"%PDF-1.7", "a PDF document"),
        (b"<!DOCTYPE html><p>", "HTML or XML"),
        (b"freq\tmag\n20\t-3", "it begins with “freq"),
        (b"20 -3.5 120\n", "it begins with “20 -3.5"),
        (b"[]", "JSON, but not an object"),
        (b"3", "JSON, but not an object"),
        (b"null", "JSON, but not an object"),
        (b"{}", "format: is missing"),
        (b"[" * 100_000, "nested deeper than 32"),
        (b'{"a":' * 100_000, "nested deeper than 32"),
        (b"[" * 100_000 + b"]" * 100_000, "nested deeper than 32"),
        (b'["\\"]", ' + b"[" * 40 + b"]" * 40 + b"]", "nested deeper than 32"),
        (SMALL + SMALL, "this is not JSON (extra data)"),
        (SMALL.replace(b'"venue": "",', b'"venue": "" '), "line 6, column 3: this is not JSON"),
        (SMALL.replace(b'""', b"''"), "this is not JSON (expecting value)"),
        (SMALL.replace(b'""', b'"a\nb"'), "this is not JSON (invalid control character"),
        (SMALL.replace(b'""', b'"\\x"'), "this is not JSON (invalid \\escape"),
        (SMALL[:-2] + b",}", "this is not JSON"),
        (b"{'format': 1}", "this is not JSON"),
        (SMALL[:-3], "it seems to have been cut off"),
    ],
)  # fmt: skip
def test_files_as_a_whole(data, sentence):
    assert sentence in refusal(data)


@pytest.mark.parametrize(
    ("number", "sentence"),
    [
        ("NaN", "“NaN” is not a number that JSON knows"),
        ("Infinity", "“Infinity” is not a number"),
        ("-Infinity", "“-Infinity” is not a number"),
        ("1e400", "the number “1e400” is too large to be held; it must lie between −60 and 60 dB"),
        ("-1e400", "the number “-1e400” is too large"),
        ("1" * 5_000, "too large to be held"),
        ("-" + "1" * 5_000, "too large to be held"),
        ("1" * 309, "a whole number of 309 digits dB is out of range"),
        ("1" * 40, "a whole number of 40 digits dB is out of range"),
        ("1" * 5_000 + ".0", "too large to be held"),
        ("true", "true stands where a number in dB belongs"),
        ("[1]", "a list stands where a number in dB belongs"),
        ("60.00000000000001", "60.00000000000001 dB is out of range"),
    ],
)
def test_numbers(number, sentence):
    assert f"inputs[0].gain_db: {sentence}" in refusal(with_number(number)) or (
        sentence in refusal(with_number(number))
    )


def test_numbers_in_fields_of_other_types():
    data = SMALL.replace(b'"channel": null', b'"channel": ' + b"9" * 5_000, 1)
    assert "inputs[0].channel: the number “999" in refusal(data)
    data = SMALL.replace(b'"Smallest"', b"NaN")
    assert "title: the number “NaN” stands where text belongs" in refusal(data)
    data = SMALL.replace(b'"version": 1', b'"version": ' + b"9" * 5_000)
    assert "version: the number “999" in refusal(data)


def test_text_that_json_can_escape_and_a_preset_cannot_hold():
    for escape, sentence in (
        (b"\\u0000", "control character \\u0000"),
        (b"\\ud800", "half a character, \\ud800"),
        (b"\\udc00x", "half a character, \\udc00"),
        (b"\\u009b", "control character \\u009b"),
    ):
        assert sentence in refusal(SMALL.replace(b'"venue": ""', b'"venue": "' + escape + b'"'))
    for key in (b"\\ud800", b"\\u0000", b"\\u202e"):
        data = SMALL.replace(b'"inputs": {}', b'"inputs": {"' + key + b'": 0}')
        assert f'outputs[0].inputs["{key.decode()}"]: there is no input' in refusal(data)


def test_nesting_of_32_is_read_and_brackets_in_text_do_not_count():
    deep = b'{"a":' * 32 + b"1" + b"}" * 32
    assert "format: is missing" in refusal(deep)
    assert "nested deeper" in refusal(b"[" + deep + b"]")
    notes = json.dumps('[[{"\\' * 100).encode()
    assert loads(SMALL.replace(b'"notes": ""', b'"notes": ' + notes)).notes == '[[{"\\' * 100


def test_cut_off_anywhere():
    for length in range(0, len(WHOLE) - 2, 50):
        with pytest.raises(Refused) as caught:
            loads(WHOLE[:length])
        assert len(caught.value.faults) == 1
    assert loads(WHOLE[:-1]) == everything()  # all but the last line feed


def test_a_file_of_65_mb_is_not_read(tmp_path):
    path = tmp_path / "large.json"
    with open(path, "wb") as file:
        file.truncate(65 * 1024 * 1024)
    started = time.process_time()
    with pytest.raises(Refused, match="holds more than 64 MB"):
        load(path)
    assert time.process_time() - started < 0.1


def test_a_stream_without_end_is_left_off_at_the_limit(monkeypatch):
    monkeypatch.setattr("xover.files.json_text.LIMIT_BYTES", 1024)
    stream = io.BytesIO(b" " * 10_000)
    monkeypatch.setattr(sys, "stdin", SimpleNamespace(buffer=stream))
    with pytest.raises(Refused, match="standard input holds more than"):
        load("-")
    assert stream.tell() == 1025
    with pytest.raises(Refused, match="“/dev/zero” holds more than"):
        load("/dev/zero")
    with pytest.raises(Refused, match="more than 64 MB"):
        loads(b" " * 1025)


def test_a_bom_makes_no_difference():
    assert loads(b"\xef\xbb\xbf" + WHOLE) == everything()
    spaced = json.dumps(json.loads(WHOLE)).encode()
    assert loads(b"\xef\xbb\xbf" + spaced) == everything()


# Anything else


def _same_or_refused(data: bytes) -> None:
    """Whatever these bytes are: refused, or exactly what they say by an independent reader."""
    try:
        preset = loads(data)
    except Refused as refused:
        for fault in refused.faults:
            assert harmless(str(fault))
            str(fault).encode()
            assert form(parse(fault.where)) == fault.where
        return
    _said(json.loads(data.decode("utf-8-sig")), tree_of(preset))


def _said(meant: Any, held: Any) -> None:
    """Every value of the file is held as it is; what is held besides is a default."""
    if isinstance(meant, dict):
        for key, value in meant.items():
            if key == "order" and key not in held:
                assert value == 2  # said of a kind that has no other
            else:
                _said(value, held[key])
    elif isinstance(meant, list):
        assert len(meant) == len(held)
        for one, other in zip(meant, held, strict=True):
            _said(one, other)
    else:
        assert meant == held
        assert isinstance(held, bool) == isinstance(meant, bool)


mutations = st.lists(
    st.tuples(st.integers(0, len(WHOLE)), st.integers(0, 12), st.binary(max_size=6)),
    min_size=1,
    max_size=3,
)


@given(mutations)
@example([(0, 0, b"\xef\xbb\xbf")])
@example([(WHOLE.index(b"-0.0"), 4, b"-0")])
@settings(max_examples=200, deadline=None)
def test_random_bytes_put_anywhere(changes):
    data = WHOLE
    for at, gone, put in changes:
        data = data[:at] + put + data[at + gone :]
    _same_or_refused(data)


@given(st.binary(max_size=200))
@settings(max_examples=100, deadline=None)
def test_random_bytes(data):
    _same_or_refused(data)


values = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.text(max_size=5)
    | st.sampled_from(["peak", "Sub", "Left", "normal", "settings", 0, 1, 2, 100.0, -1, 1e400]),
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3)
    ),
    max_leaves=5,
)
PLACES = [where for where, _ in leaves(everything())]
PLACES += sorted({form(parse(where)[:length]) for where in PLACES for length in (1, 2, 3)})


@given(st.lists(st.tuples(st.sampled_from(PLACES), values), min_size=1, max_size=3))
@settings(max_examples=250, deadline=None)
def test_random_values_put_anywhere(changes):
    tree = json.loads(WHOLE)
    for where, value in changes:
        *way, last = [getattr(step, "key", step) for step in parse(where)]
        holder = tree
        try:
            for step in way:
                holder = holder[step]
            holder[last] = value
        except (KeyError, IndexError, TypeError):
            continue  # an earlier change took the place away
    _same_or_refused(json.dumps(tree).encode("utf-8", "surrogatepass"))


@given(presets(), st.data())
@settings(max_examples=30, deadline=None)
def test_a_field_taken_out_or_misspelt_is_never_passed_over(preset, data):
    tree = json.loads(dumps(preset))
    holder = data.draw(st.sampled_from([tree, tree["outputs"][0], tree["inputs"][0], tree["air"]]))
    key = data.draw(st.sampled_from(sorted(holder)))
    if holder is tree["outputs"][0] and key == "inputs":
        return
    holder[key + "s_"] = holder.pop(key)
    found = faults_in(json.dumps(tree).encode())
    assert any(place.endswith(key + "s_") for place in found) or key == "format"


def test_a_pipe_can_be_read(tmp_path):
    reader, writer = os.pipe()
    os.write(writer, SMALL)
    os.close(writer)
    try:
        assert load(f"/dev/fd/{reader}") == minimal()
    finally:
        os.close(reader)
