"""What stands on the pages of a PDF, read by Poppler's tools, which are not part of the project."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from numpy.typing import NDArray

XHTML = "{http://www.w3.org/1999/xhtml}"


def _poppler(tool: str, document: bytes, folder: Path, *options: str) -> bytes:
    if shutil.which(tool) is None:
        pytest.skip(f"{tool} is not installed")
    path = folder / "read.pdf"
    path.write_bytes(document)
    done = subprocess.run(
        [tool, *options, str(path), *["-"] * (tool == "pdftotext")],
        capture_output=True, check=True, timeout=120,
    )  # fmt: skip
    return done.stdout


def pages_of(document: bytes, folder: Path, *, layout: bool = False) -> list[str]:
    """The text of each page, in the order it was set or (`layout`) as it lies on the paper."""
    text = _poppler("pdftotext", document, folder, "-layout" if layout else "-raw").decode()
    return text.replace("\u200b", "").split("\f")[:-1]


def words_on(document: bytes, folder: Path) -> list[list[tuple[float, float, float, float, str]]]:
    """The words of each page with their left, top, right and bottom in points."""
    root = ElementTree.fromstring(_poppler("pdftotext", document, folder, "-bbox"))
    edges = ("xMin", "yMin", "xMax", "yMax")
    return [
        [
            (*(float(word.attrib[edge]) for edge in edges), word.text or "")  # type: ignore[misc]
            for word in page.iter(f"{XHTML}word")
        ]
        for page in root.iter(f"{XHTML}page")
    ]


def picture_of(document: bytes, folder: Path, page: int, dpi: int) -> NDArray[np.uint8]:
    """One page (1 is the first) in grey: (height, width), 0 black, 255 white."""
    number = str(page)
    data = _poppler(
        "pdftoppm", document, folder, "-gray", "-r", str(dpi), "-f", number, "-l", number
    )
    kind, size, most, pixels = data.split(b"\n", 3)
    assert (kind, most) == (b"P5", b"255")
    width, height = map(int, size.split())
    return np.frombuffer(pixels, np.uint8).reshape(height, width)


def squeezed(text: str) -> str:
    """Text without the blanks and line ends that a page adds."""
    return "".join(text.split())
