"""Numbers in columns out of a text file of any common shape, each row with its line number.

Encodings, line endings, comment marks, separators and decimal marks are told apart by evidence
that is stated; what could be read in two ways is refused with the option that answers, and what
cannot be read with its line. What the columns mean is `files.traces`' business.
"""

from __future__ import annotations

import codecs
import re
from collections.abc import Callable
from functools import partial
from typing import Literal, NoReturn

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from xover.model.names import quoted
from xover.model.problems import Refused

DecimalMark = Literal[".", ","]

BYTES_MAX = 128 * 1024 * 1024
LINES_MAX = 2_000_000
BLOCK_ROWS = 50_000
"""So many rows are split into fields at once."""
LINE_LENGTH_MAX = 10_000
NUMBERS_MAX = 8_000_000
_BLANK = " \t\f\v"
_PLAINER = dict.fromkeys((0xA0, 0x2007, 0x2009, 0x202F, 0x3000), " ") | {
    0x2212: "-", 0xFEFF: None, 0x2028: "\n", 0x85: "\n",
}  # fmt: skip
"""Unusual spaces, the true minus sign and rarer line ends, as ordinary ones."""
_NUMBER_LETTERS = frozenset("0123456789+-.,eE")
_NUMBER = re.compile(r"[+-]?(?:[0-9]+[.,]?[0-9]*|[.,][0-9]+)(?:[eE][+-]?[0-9]+)?")
_MISSING = frozenset(
    {"nan", "inf", "infinity", "na", "n/a", "#n/a", "null", "none", "nil", "undefined", "ind"}
)
_GROUPED = re.compile(r"[+-]?[1-9][0-9]{0,2}(?:,[0-9]{3})+")
_BETWEEN_FIELDS = re.compile(r"[^,\s][ \t]+[^,\s]")
_WORD_BOMS = (
    (codecs.BOM_UTF8, "utf-8", "UTF-8"),
    (codecs.BOM_UTF32_LE, "utf-32-le", "UTF-32"),
    (codecs.BOM_UTF32_BE, "utf-32-be", "UTF-32"),
    (codecs.BOM_UTF16_LE, "utf-16-le", "UTF-16"),
    (codecs.BOM_UTF16_BE, "utf-16-be", "UTF-16"),
)


class Table(Struct, frozen=True, eq=False):
    """Rows of numbers: `values` (n_rows, n_columns), `lines` (n_rows,) counted from 1."""

    name: str
    values: NDArray[np.float64]
    lines: NDArray[np.int64]
    headings: tuple[str, ...]
    """The last lines of text in front of the rows, comment marks taken off, nearest last."""
    separator: str
    understood: tuple[str, ...]

    def refuse(self, row: int, message: str) -> NoReturn:
        """Raise `Refused` about one row, naming its line."""
        raise Refused.at(place(self.name, int(self.lines[row])), message)


def place(name: str, line: int) -> str:
    """How a line of a file is named: `capture.txt, line 7`."""
    return f"{name}, line {line}"


def read_table(data: bytes, *, name: str, decimal: DecimalMark | None = None) -> Table:
    """The rows of numbers in `data`; `decimal` settles the decimal mark where two would do.

    Raises `Refused` with the line for whatever is not a row of numbers after the first one.
    """
    text, encoding = _decoded(data, name)
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    if len(lines) > LINES_MAX:
        raise Refused.at(
            name, f"the file has {len(lines)} lines, more than a response can have ({LINES_MAX})"
        )
    longest = max(map(len, lines))
    if longest > LINE_LENGTH_MAX:
        number = next(i for i, line in enumerate(lines) if len(line) == longest) + 1
        raise Refused.at(
            place(name, number), f"the line has {longest} characters, no row of a response"
        )
    rows, numbers, headings, said = _rows(lines, name)
    layout = _layout(rows, headings, name, decimal)
    values = _values(rows, numbers, layout, name)
    count = values.shape[1]
    said = (f"{encoding}, {len(rows)} rows of {count} columns, {layout.said}", *said)
    return Table(name, values, np.array(numbers), headings, layout.separator, said)


class _Layout(Struct, frozen=True):
    separator: str
    """";", ",", ", " or "\t"; "" for any white space."""
    decimal_comma: bool
    said: str


def _decoded(data: bytes, name: str) -> tuple[str, str]:
    if len(data) > BYTES_MAX:
        raise Refused.at(name, "the file is larger than 128 MB: not a table of a response")
    for mark, codec, label in _WORD_BOMS:
        if data.startswith(mark):
            try:
                return _without_nul(data[len(mark) :].decode(codec), name), f"{label} text"
            except UnicodeDecodeError:
                raise Refused.at(name, f"the file is marked as {label} but is not") from None
    head = data[:4096]
    for codec, zeros in (("utf-16-le", head[1::2]), ("utf-16-be", head[0::2])):
        if len(zeros) > 1 and zeros.count(0) > 0.6 * len(zeros):
            try:
                return _without_nul(data.decode(codec), name), "UTF-16 text"
            except UnicodeDecodeError:
                break
    try:
        return _without_nul(data.decode("utf-8"), name), "UTF-8 text"
    except UnicodeDecodeError:
        # Every byte means something in Latin-1; only headings can be spelled wrongly by it.
        return _without_nul(data.decode("latin-1"), name), "8-bit (Latin-1) text"


def _without_nul(text: str, name: str) -> str:
    if "\0" in text:
        raise Refused.at(name, "the file is binary, neither text columns nor audio known here")
    return text if text.isascii() else text.translate(_PLAINER)


def _rows(
    lines: list[str], name: str
) -> tuple[list[str], list[int], tuple[str, ...], tuple[str, ...]]:
    """The lines that hold numbers, their line numbers, the headings, and what was left out."""
    headings: list[str] = []
    suspects: list[tuple[int, str]] = []
    first = len(lines)
    said: list[str] = []
    comments = 0
    for index, line in enumerate(lines):
        stripped = line.strip(_BLANK)
        if not stripped:
            continue
        bare = _unquoted(stripped)
        if _is_row(bare):
            first = index
            break
        text = _after_comment_mark(stripped)
        if text is None:
            if _starts_with_number(bare):
                suspects.append((index + 1, bare))
            text = bare
        if any(letter.isalpha() for letter in text):
            headings.append(text)
    if first == len(lines):
        if suspects:
            number, line = suspects[0]
            raise Refused.at(place(name, number), f"{quoted(_culprit(line))} is not a number")
        if not any(line.strip() for line in lines):
            raise Refused.at(name, "the file is empty; look at the original, or capture it again")
        raise Refused.at(name, "there are no rows of numbers in the file")
    width = len(_pieces(_unquoted(lines[first].strip(_BLANK))))
    for number, line in suspects:
        culprit = _broken_row(line, width)
        if culprit is None:
            continue
        if not said and _is_zero(_pieces(line)[0]):
            said.append(f"the row at 0 Hz (line {number}) is left out")
            headings.remove(line)
            continue
        raise Refused.at(
            place(name, number),
            f"{quoted(culprit)} is not a number (if this line is a heading, put # in front)",
        )
    rows: list[str] = []
    numbers: list[int] = []
    for index in range(first, len(lines)):
        stripped = lines[index].strip(_BLANK)
        if not stripped:
            continue
        if '"' in stripped:
            bare = _unquoted(stripped)
            stripped = bare if bare and bare[0] in "0123456789+-.," else stripped
        if stripped[0] in '#;*%/"' and _after_comment_mark(stripped) is not None:
            comments += 1
            continue
        rows.append(stripped)
        numbers.append(index + 1)
    if headings:
        said.append(f"lines of text in front of the numbers: {len(headings)}")
    if comments:
        said.append(f"comment lines left out: {comments}")
    return rows, numbers, tuple(headings[-3:]), tuple(said)


def _layout(
    rows: list[str], headings: tuple[str, ...], name: str, decimal: DecimalMark | None
) -> _Layout:
    body = "\n".join(rows)
    semicolons, commas, points = ";" in body, "," in body, "." in body
    if semicolons:
        return _Layout(";", *_decimal(body, ";", commas, points, decimal, name))
    if not commas:
        if decimal == "," and points:
            raise Refused.at(name, "there are decimal points, no decimal commas: drop --decimal ,")
        tabs = {row.count("\t") for row in rows}
        if len(tabs) == 1 and tabs != {0}:
            return _Layout("\t", False, "separated by tabs")
        return _Layout("", False, "separated by spaces")
    if _BETWEEN_FIELDS.search(body):
        if points or re.search(r",[ \t]", body):
            raise Refused.at(
                name,
                "both commas and spaces seem to separate the numbers; write the file with one "
                "separator and without grouping thousands",
            )
        tabs = {row.count("\t") for row in rows}
        separator = "\t" if len(tabs) == 1 and tabs != {0} else ""
        return _Layout(separator, *_decimal(body, separator, commas, points, decimal, name))
    tight = len(re.findall(r",[^ \t\n]", body))
    loose = len(re.findall(r",[ \t]", body))
    if points or decimal == "." or not tight:
        if decimal == ",":
            raise Refused.at(
                name,
                "commas separate the numbers, so they cannot be decimal commas: drop --decimal ,",
            )
        return _Layout(",", False, "separated by commas")
    if loose and decimal == ",":
        return _Layout(", ", True, "separated by commas with a space, decimal commas as asked")
    most = max(row.rstrip(",").count(",") for row in rows)
    if not loose and most == 1 and decimal is None:
        return _Layout(",", False, "separated by commas (else there would be one column)")
    if not loose and decimal is None and any(line.count(",") == most for line in headings[-1:]):
        return _Layout(",", False, "separated by commas (as many as in the heading)")
    if not loose and decimal is None and _signs_follow_each(rows):
        return _Layout(",", False, "separated by commas (a sign follows each somewhere)")
    raise Refused.at(
        name,
        "each comma could separate two numbers or be a decimal comma; answer with "
        '--decimal ".", or write the file with semicolons between the numbers',
    )


def _signs_follow_each(rows: list[str]) -> bool:
    """Whether each comma of a row has a sign behind it in some row, so that none is decimal."""
    fields = [row.split(",") for row in rows]
    if len({len(row) for row in fields}) != 1:
        return False
    return all(
        any(f[:1] in ("+", "-") for f in column) for column in list(zip(*fields, strict=True))[1:]
    )


def _decimal(
    body: str, separator: str, commas: bool, points: bool, decimal: DecimalMark | None, name: str
) -> tuple[bool, str]:
    """Whether the commas in `body` are decimal commas, and the sentence; they do not separate."""
    between = {";": "semicolons", "\t": "tabs"}.get(separator, "spaces")
    if not commas:
        if decimal == "," and points:
            raise Refused.at(name, "there are decimal points, no decimal commas: drop --decimal ,")
        return False, f"separated by {between}"
    if points or decimal == ".":
        raise Refused.at(
            name,
            "there are commas as well as points inside the numbers; write the file without "
            "grouping thousands",
        )
    if decimal is None:
        tokens = re.finditer(r"[^\s;]*,[^\s;]*", body)
        first = next(tokens).group()
        if _GROUPED.fullmatch(first) and all(_GROUPED.fullmatch(t.group()) for t in tokens):
            raise Refused.at(
                name,
                f"the comma in {quoted(first)} could be a decimal comma or group thousands; "
                'answer with --decimal ",", or write the file without grouping thousands',
            )
    return True, f"separated by {between}, decimal commas"


def _values(rows: list[str], numbers: list[int], layout: _Layout, name: str) -> NDArray[np.float64]:
    """The numbers (n_rows, n_columns); split and read in blocks, so that memory stays bounded."""
    separator = layout.separator.strip(" ")
    if separator and all(row.endswith(separator) for row in rows):
        rows = [row[: -len(separator)] for row in rows]
    split: Callable[[str], list[str]]
    if layout.separator == "":
        split = str.split
    elif layout.separator == ", ":
        split = re.compile(r",[ \t]+").split
    else:
        split = partial(_split_at, separator=separator)
    width = len(split(rows[0]))
    if not 2 <= width <= 32:
        raise Refused.at(
            place(name, numbers[0]),
            f"{'one number' if width == 1 else f'{width} numbers'} in the row; a response has "
            "columns: frequency, magnitude and perhaps phase and coherence (if this is a heading, "
            "put # in front of it)",
        )
    if len(rows) * width > NUMBERS_MAX:
        raise Refused.at(name, f"{len(rows)} rows of {width} columns are more than a response has")
    values = np.empty((len(rows), width))
    for start in range(0, len(rows), BLOCK_ROWS):
        block = slice(start, start + BLOCK_ROWS)
        fields = list(map(split, rows[block]))
        if set(map(len, fields)) != {width}:
            _refuse_ragged(fields, numbers[block], width, name)
        values[block] = _numbers(fields, numbers[block], layout, name)
    return values


def _refuse_ragged(fields: list[list[str]], numbers: list[int], width: int, name: str) -> NoReturn:
    row, number = next(
        (row, number) for row, number in zip(fields, numbers, strict=True) if len(row) != width
    )
    for field in row:
        if not _NUMBER.fullmatch(field.strip(_BLANK)):
            _refuse_field(field, place(name, number))
    columns = "1 column" if len(row) == 1 else f"{len(row)} columns"
    raise Refused.at(
        place(name, number),
        f"{columns} where the rows before have {width}; complete the row, or put # in front of it "
        "if it is a remark",
    )


def _split_at(row: str, separator: str) -> list[str]:
    return row.split(separator)


def _numbers(
    fields: list[list[str]], numbers: list[int], layout: _Layout, name: str
) -> NDArray[np.float64]:
    flat = [field for row in fields for field in row]
    if layout.decimal_comma:
        flat = [field.replace(".", "?").replace(",", ".") for field in flat]
    plain = frozenset(" ".join(flat)) <= _NUMBER_LETTERS | frozenset(_BLANK)
    try:
        values = np.array(list(map(float, flat)), dtype=np.float64)
    except ValueError:
        plain = False
        values = np.empty(0)
    if not plain or not np.isfinite(values).all():
        for row, number in zip(fields, numbers, strict=True):
            for field in row:
                token = field.strip(_BLANK)
                good = _NUMBER.fullmatch(token) and (layout.decimal_comma or "," not in token)
                if not good or (layout.decimal_comma and "." in token):
                    _refuse_field(field, place(name, number))
                if not np.isfinite(float(token.replace(",", "."))):
                    raise Refused.at(place(name, number), f"{quoted(token)} is out of all range")
    return values.reshape(len(fields), -1)


def _refuse_field(field: str, where: str) -> NoReturn:
    token = field.strip(_BLANK)
    if not token:
        raise Refused.at(where, "a column is empty; write the file without empty columns")
    raise Refused.at(where, f"{quoted(token)} is not a number")


def _unquoted(line: str) -> str:
    """The line without quotation marks around its fields, if it has any."""
    return line.replace('"', "").strip(_BLANK) if '"' in line else line


def _after_comment_mark(line: str) -> str | None:
    """The text behind a comment mark, or None for a line without one."""
    if line.startswith("//"):
        return line[2:].strip(_BLANK)
    if line[0] in '#;*%"':
        return line.strip('#;*%"' + _BLANK)
    return None


def _pieces(line: str) -> list[str]:
    return [piece for piece in re.split(r"[\s;,]+", line) if piece]


def _is_row(line: str) -> bool:
    """Whether every piece between separators is a number."""
    if not line or line[0] not in "0123456789+-.,":
        return False
    pieces = _pieces(line)
    return bool(pieces) and all(_NUMBER.fullmatch(piece) for piece in pieces)


def _starts_with_number(line: str) -> bool:
    pieces = _pieces(line)
    return bool(pieces) and _NUMBER.fullmatch(pieces[0]) is not None


def _culprit(line: str) -> str:
    return next(piece for piece in _pieces(line) if not _NUMBER.fullmatch(piece))


def _broken_row(line: str, width: int) -> str | None:
    """What spoils a line in front of the rows that looks like one; None where it holds a word."""
    pieces = _pieces(line)
    if len(pieces) != width:
        return None
    strange = [piece for piece in pieces if not _NUMBER.fullmatch(piece)]
    for piece in strange:
        word = piece.lower().strip("+-()[].")
        if len(word) > 1 and word.isalpha() and word not in _MISSING:
            return None
    return strange[0]


def _is_zero(piece: str) -> bool:
    return not any(letter in "123456789" for letter in re.split("[eE]", piece)[0])
