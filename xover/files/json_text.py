"""JSON text to plain data and back: the reader that survives anything, the one layout.

Refuses what is not strict JSON in UTF-8, with a sentence. Knows nothing of presets: what the
data mean is judged by whoever asks.
"""

from __future__ import annotations

import math
import re
from itertools import accumulate
from typing import TYPE_CHECKING, Any, NoReturn

import msgspec

from xover.model.names import quoted
from xover.model.problems import Refused
from xover.model.walk import Odd, Pairs

if TYPE_CHECKING:
    from json import JSONDecodeError

LIMIT_BYTES = 64 * 1024 * 1024
"""The largest file that is read."""
DEPTH_MAX = 32
"""The deepest nesting of lists and objects that is read."""

_BOM = b"\xef\xbb\xbf"
_BRACKETS = b"[]{}"
_NOT_BRACKETS = bytes(set(range(256)) - set(_BRACKETS))
_STEPS = bytes.maketrans(_BRACKETS, b"\x01\xff\x01\xff")
_POINT_ZERO = re.compile(rb"\.0(?<!-0\.0)(?=[,\]}])")
"""What `20.0` has too much in JSON without blanks; −0.0 keeps it, since `-0` reads as 0."""
_DIGITS_MAX = 400
"""A number of more digits overflows any float, and Python reads such slowly or not at all."""

_KINDS_OF_FILE: tuple[tuple[bytes, str], ...] = (
    (b"RIFF", "an audio file"),
    (b"RF64", "an audio file"),
    (b"fLaC", "an audio file"),
    (b"FORM", "an audio file"),
    (b"OggS", "an audio file"),
    (b"PK\x03\x04", "a ZIP archive"),
    (b"\x1f\x8b", "a compressed file"),
    (b"%PDF", "a PDF document"),
    (b"\x89PNG", "a picture"),
    (b"\xff\xd8\xff", "a picture"),
    (b"\x7fELF", "a program"),
)


def without_bom(data: bytes) -> bytes:
    """The bytes without a UTF-8 byte order mark at their start."""
    return data.removeprefix(_BOM)


def parse(data: bytes, *, wanted: str) -> Any:
    """JSON bytes as plain data, `wanted` naming what was hoped for ("a preset") in sentences.

    Objects with repeated keys come as `Pairs`, numbers that cannot be held as `Odd`, so that the
    walker can name their places. Raises `Refused` for anything that is not JSON in UTF-8, is
    nested deeper than 32, or larger than 64 MB.
    """
    import json  # only where the fast way did not do

    if len(data) > LIMIT_BYTES:
        raise Refused.at("", "the file holds more than 64 MB; such a file is not read")
    data = without_bom(data)
    text = _text(data, wanted)
    if _deeper_than(data, DEPTH_MAX):
        raise Refused.at(
            "", f"lists and objects are nested deeper than {DEPTH_MAX}; {wanted} never is"
        )
    try:
        return json.loads(
            text,
            object_pairs_hook=_object,
            parse_int=_whole_number,
            parse_float=_number,
            parse_constant=Odd,
        )
    except json.JSONDecodeError as error:
        _refuse_syntax(error, text, wanted)


def lay_out(tree: Any) -> bytes:
    """Plain data as UTF-8 JSON in the one layout of the project's files.

    Two-space indent, lists of numbers on one line, the shortest text of each number that reads
    back exactly, a line feed at the end. Numbers must be finite, texts without lone surrogates.
    """
    pieces: list[str] = []
    _lay_out(tree, "\n", pieces)
    pieces.append("\n")
    return "".join(pieces).encode()


def same_data(data: bytes, encoded: bytes) -> bool:
    """Whether JSON `data` say exactly what the compact `encoded` says, key for key in order.

    Blank space and a trailing `.0` of numbers make no difference; repeated keys do.
    """
    try:
        compact = msgspec.json.format(data, indent=-1)
    except (msgspec.DecodeError, RecursionError):
        return False
    if compact == _POINT_ZERO.sub(b"", encoded):
        return True
    # Numbers written by another hand (20.0), or texts that hold what looks like one ("v2.0,"):
    # both sides lose the same characters, and never a quotation mark.
    return _POINT_ZERO.sub(b"", compact) == _POINT_ZERO.sub(b"", encoded)


def _text(data: bytes, wanted: str) -> str:
    if not data.strip():
        raise Refused.at("", f"the file is empty; {wanted} is JSON text")
    if data[:2] in (b"\xff\xfe", b"\xfe\xff") or (data[:1] != b"\x00") != (data[1:2] != b"\x00"):
        raise Refused.at("", "the file seems to be UTF-16 text; save it as UTF-8")
    for start, kind in _KINDS_OF_FILE:
        if data.startswith(start):
            raise Refused.at("", f"the file seems to be {kind}, not {wanted}")
    if b"\x00" in data:
        raise Refused.at("", f"the file holds binary data, not JSON text; {wanted} is JSON text")
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise Refused.at(
            "",
            f"line {line} is not UTF-8 text (byte {data[error.start]:#04x}, "
            f"{error.start + 1} bytes into the file); save the file as UTF-8",
        ) from error


def _deeper_than(data: bytes, limit: int) -> bool:
    """Whether brackets outside texts are nested deeper than `limit`, without parsing."""
    if data.count(b"[") + data.count(b"{") <= limit:
        return False
    # With escaped backslashes and quotes gone, every second piece between quotes is outside.
    pieces = data.replace(b"\\\\", b"").replace(b'\\"', b"").split(b'"')
    brackets = b"".join(pieces[::2]).translate(_STEPS, _NOT_BRACKETS)
    return any(depth > limit for depth in accumulate(memoryview(brackets).cast("b")))


def _object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    result = dict(pairs)
    if len(result) == len(pairs):
        return result
    seen: set[str] = set()
    repeated: list[str] = []
    for key, _ in pairs:
        if key in seen and key not in repeated:
            repeated.append(key)
        seen.add(key)
    marked = Pairs(result)
    marked.repeated = tuple(repeated)
    return marked


def _whole_number(text: str) -> Any:
    return int(text) if len(text) <= _DIGITS_MAX else Odd(text)


def _number(text: str) -> Any:
    value = float(text)
    return value if math.isfinite(value) else Odd(text)


def _refuse_syntax(error: JSONDecodeError, text: str, wanted: str) -> NoReturn:
    start = text.lstrip()[:1]
    if start == "<":
        raise Refused.at("", f"the file seems to be HTML or XML, not {wanted}") from error
    if start not in ("{", "["):
        raise Refused.at(
            "",
            f"the file is not JSON: it begins with {quoted(text.lstrip()[:20])}; "
            f"{wanted} is JSON text in braces",
        ) from error
    if not text.rstrip().endswith(("}", "]")):
        raise Refused.at(
            "",
            f"line {text.rstrip().count(chr(10)) + 1}: the file ends before its last bracket is "
            "closed; it seems to have been cut off, so take a whole copy",
        ) from error
    what = error.msg[:1].lower() + error.msg[1:]
    raise Refused.at(
        "",
        f"line {error.lineno}, column {error.colno}: this is not JSON ({what}); "
        f"near {quoted(text[error.pos : error.pos + 20])}",
    ) from error


def _lay_out(node: Any, line: str, pieces: list[str]) -> None:
    """Append the text of `node`; `line` is a line feed with the indent in force."""
    if isinstance(node, dict):
        if not node:
            pieces.append("{}")
            return
        inner = line + "  "
        lead = "{" + inner
        for key, value in node.items():
            pieces.append(f"{lead}{_scalar(key)}: ")
            _lay_out(value, inner, pieces)
            lead = "," + inner
        pieces.append(line + "}")
    elif isinstance(node, list):
        if set(map(type, node)) <= {float, int}:
            pieces.append(_numbers(node))
            return
        inner = line + "  "
        lead = "[" + inner
        for item in node:
            pieces.append(lead)
            _lay_out(item, inner, pieces)
            lead = "," + inner
        pieces.append(line + "]")
    else:
        pieces.append(_scalar(node))


def _numbers(node: list[Any]) -> str:
    return _POINT_ZERO.sub(b"", msgspec.json.encode(node)).decode().replace(",", ", ")


def _scalar(node: Any) -> str:
    text = msgspec.json.encode(node).decode()
    if isinstance(node, float) and text.endswith(".0") and text != "-0.0":
        return text[:-2]
    return text
