"""What an audio file's header says about its length, held against what the file holds.

libsndfile reads what is there without a word, so a copy that stopped half way would pass for a
short recording. Every container that counts its samples is checked here before a sample is read:
RIFF (WAV, RF64), AIFF, AU, W64 and CAF; FLAC counts are checked while reading. Repairs nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import BinaryIO, Literal

from msgspec import Struct

from xover.model.problems import Refused

CHUNKS_MAX = 10_000
"""More chunks in front of the samples than any program writes."""
MAGIC = (b"RIFF", b"RIFX", b"RF64", b"BW64", b"FORM", b"fLaC", b"OggS", b".snd", b"dns.", b"caff",
         b"ID3", b"riff")  # fmt: skip
_OTHER_MAGIC = (b"wvpk", b"MAC ", b"FFIR", b"2BIT", b"NIST", b"Crea")
_UNKNOWN_SIZE = 0xFFFF_FFFF
_Follows = Callable[[int], bool]
_W64_DATA = b"data\xf3\xac\xd3\x11\x8c\xd1\x00\xc0O\x8e\xdb\x8a"


def looks_like_audio(data: bytes) -> bool:
    """Whether the first bytes are those of an audio file rather than of text."""
    frame_sync = len(data) > 1 and data[0] == 0xFF and data[1] & 0xE6 in (0xE2, 0xE4)
    return data.startswith((*MAGIC, *_OTHER_MAGIC)) or frame_sync


class _Part(Struct, frozen=True):
    """A chunk: where its content starts and how long the header says that it is."""

    kind: bytes
    start: int
    size: int


class _Form(Struct, frozen=True):
    """How a container writes the heads of its chunks."""

    kind_bytes: int
    size_bytes: int
    order: Literal["big", "little"]
    pad: int
    """Chunks begin at multiples of so many bytes."""
    counts_head: bool = False
    signed: bool = False


_RIFF, _RIFX = _Form(4, 4, "little", 2), _Form(4, 4, "big", 2)
_W64, _CAF = _Form(16, 8, "little", 8, counts_head=True), _Form(4, 8, "big", 1, signed=True)


def check_length(file: BinaryIO, *, size: int, name: str) -> tuple[str, ...]:
    """Refuse a file whose samples end before its header says; sentences on what is odd but read.

    `file` is seekable and is left at its start; `size` is its length in bytes. A length of 2³² − 1
    is what programs write that cannot go back to the header; it counts to the end of the file.
    Raises `Refused` naming `name`.
    """
    file.seek(0)
    head = file.read(12)
    try:
        if head[:4] in (b"RIFF", b"RIFX", b"RF64", b"BW64") and head[8:12] == b"WAVE":
            return _wave(file, size, name, head[:4])
        if head[:4] == b"FORM" and head[8:12] in (b"AIFF", b"AIFC"):
            return _aiff(file, size, name)
        if head[:4] in (b".snd", b"dns."):
            return _au(file, size, name, "big" if head[:4] == b".snd" else "little")
        if head[:4] == b"riff":
            return _samples(file, size, name, 40, _W64, _W64_DATA)
        if head[:4] == b"caff":
            return _samples(file, size, name, 8, _CAF, b"data")
        return ()
    finally:
        file.seek(0)


def _wave(file: BinaryIO, size: int, name: str, magic: bytes) -> tuple[str, ...]:
    order: Literal["big", "little"] = "big" if magic == b"RIFX" else "little"
    long_size = 0
    for part in _parts(file, name, 12, _RIFX if order == "big" else _RIFF):
        if part.kind == b"ds64" and part.size >= 16:
            long_size = int.from_bytes(file.read(16)[8:16], "little")
        if part.kind == b"data":
            stated = part.size
            if stated == _UNKNOWN_SIZE:
                stated = long_size if magic in (b"RF64", b"BW64") else size - part.start
            return _held(name, stated, part.start, size, _chunks_follow(file, size, order))
    raise _too_many(name)


def _chunks_follow(file: BinaryIO, size: int, order: Literal["big", "little"]) -> _Follows:
    """Whether what stands from a place to the end of the file is made of chunks."""

    def follows(at: int) -> bool:
        at += at & 1
        for _ in range(CHUNKS_MAX):
            if at >= size:
                return True
            file.seek(at)
            head = file.read(8)
            kind = head[:4]
            if len(head) < 8 or not (kind.isascii() and kind.decode("ascii").isprintable()):
                return not head.strip(b"\0")
            at += 8 + int.from_bytes(head[4:], order)
            if at > size:
                return False
            at += at & 1
        return False

    return follows


def _held(name: str, stated: int, start: int, size: int, follows: _Follows) -> tuple[str, ...]:
    """Compare `stated` bytes of samples from `start` on with a file of `size` bytes."""
    there = size - start
    if stated > there:
        raise _cut_short(name, there, stated)
    rest = there - stated
    if rest == 0 or follows(start + stated):
        return ()
    if stated == 0:
        raise Refused.at(
            name,
            f"the header was never finished, it counts no samples though {rest} bytes follow; open "
            "the file in an editor as raw samples and save it anew",
        )
    if rest > stated:
        raise Refused.at(
            name,
            f"the file holds {there} bytes of samples, its header counts {stated}: the recording "
            "was not finished, or is too long for this kind of file; open it in an editor and save "
            "it anew, as FLAC or RF64 where it is long",
        )
    return (f"{rest} bytes after the samples, which the header does not count, are not read",)


def _aiff(file: BinaryIO, size: int, name: str) -> tuple[str, ...]:
    needed = 0
    for part in _parts(file, name, 12, _RIFX):
        if part.kind == b"COMM":
            common = file.read(8)
            channels, frames, bits = (
                int.from_bytes(common[:2], "big"), int.from_bytes(common[2:6], "big"),
                int.from_bytes(common[6:8], "big"),
            )  # fmt: skip
            needed = channels * frames * (bits // 8)
        if part.kind == b"SSND":
            stated = part.size - 8
            # A compressed AIFC counts packets, so its frames say nothing about bytes.
            if stated > size - part.start - 8:
                raise _cut_short(name, size - part.start - 8, stated)
            file.seek(8)
            if file.read(4) == b"AIFF" and stated < needed:
                raise _cut_short(name, stated, needed)
            return ()
    raise _too_many(name)


def _au(file: BinaryIO, size: int, name: str, order: Literal["big", "little"]) -> tuple[str, ...]:
    file.seek(4)
    start, stated = (int.from_bytes(file.read(4), order) for _ in range(2))
    if stated != _UNKNOWN_SIZE and stated > size - start:
        raise _cut_short(name, size - start, stated)
    return ()


def _samples(
    file: BinaryIO, size: int, name: str, at: int, form: _Form, kind: bytes
) -> tuple[str, ...]:
    """Of a container whose samples are one chunk of `kind`."""
    for part in _parts(file, name, at, form):
        if part.kind == kind:
            if part.size > size - part.start:
                raise _cut_short(name, size - part.start, part.size)
            return ()
    raise _too_many(name)


def _parts(file: BinaryIO, name: str, at: int, form: _Form) -> Iterator[_Part]:
    """The chunks from `at` on, each read from where its content starts; not for ever."""
    long = form.kind_bytes + form.size_bytes
    for _ in range(CHUNKS_MAX):
        file.seek(at)
        head = file.read(long)
        if len(head) < long:
            raise Refused.at(name, "the file is cut short: it ends before its samples begin")
        stated = int.from_bytes(head[form.kind_bytes :], form.order, signed=form.signed)
        part = _Part(head[: form.kind_bytes], at + long, stated - long * form.counts_head)
        yield part
        at = part.start + max(0, -(-part.size // form.pad) * form.pad)


def _cut_short(name: str, there: int, stated: int) -> Refused:
    share = 100.0 * max(there, 0) / stated
    figure = f"{share:.0f}" if share < 99.5 else f"{min(share, 99.99):.2f}"
    return Refused.at(
        name, f"the file is cut short: {figure} % of its samples are there; copy it again"
    )


def _too_many(name: str) -> Refused:
    return Refused.at(
        name, f"the file is damaged: over {CHUNKS_MAX} chunks and no samples; export it again"
    )
