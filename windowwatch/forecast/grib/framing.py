"""The outside of a GRIB file: where each message begins and ends, and which cycle it is of.

This reads no weather. It walks the length fields of every message and section, so that a
file that is cut off, foreign or damaged is named with the byte where it goes wrong, and so
that the number of fields a decoder must find is known from a second, independent count.
It costs a hundredth of decoding, so a whole folder can be looked at often.
"""

import hashlib
import os
import struct
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import BinaryIO, Protocol

from windowwatch.errors import DecodeError, SourceError, shown

_INDICATOR_BYTES = 16  # section 0 of edition 2
_END = b"7777"
#: Octets 13-19 of section 1: year, month, day, hour, minute, second.
_REFERENCE_TIME = struct.Struct(">HBBBBB")
_LONGEST_MESSAGE_BYTES = 1 << 32
#: More zeros in a row than this are no padding to a block, but a hole. [byte] Judgement: blocks
#: of tapes and file systems are 512 bytes to 64 KiB.
_MOST_PADDING_BYTES = 1 << 16
_PIECE_BYTES = 1 << 14
#: A section 4 that says what it is of has at least so many octets.
_PRODUCT_BYTES = 11
#: Code table 6.0: the bitmap is the one defined before in the same message.
_BITMAP_BEFORE = 254


class Digest(Protocol):
    """What takes in bytes for a checksum."""

    def update(self, data: bytes, /) -> None:
        """Take in more bytes."""


@dataclass(frozen=True, slots=True)
class Frame:
    """One GRIB message, from outside.

    Parameters
    ----------
    number : int
        Place in the file, counted from 1.
    offset, length : int
        First byte and size. [byte]
    products : tuple of (template, discipline, category, number)
        What each of its fields is, by code tables 4.0, 0.0, 4.1 and 4.2; producers may put
        the eastward and northward wind into one message.
    reference_utc : datetime
        Reference time of the run, aware UTC.
    """

    number: int
    offset: int
    length: int
    products: tuple[tuple[int, int, int, int], ...]
    reference_utc: datetime

    @property
    def fields(self) -> int:
        """How many fields the message holds."""
        return len(self.products)


@dataclass(frozen=True)
class Framing:
    """A GRIB file from outside: its messages, its size and the SHA-256 of its bytes."""

    path: str
    frames: tuple[Frame, ...]
    sha256: str
    size_bytes: int

    @property
    def fields(self) -> int:
        """Number of fields in the whole file."""
        return sum(frame.fields for frame in self.frames)

    def reference_utc(self) -> datetime:
        """Reference time of all messages.

        Raises
        ------
        DecodeError
            If the messages are of different runs; says how many are of which.
        """
        counts = Counter(frame.reference_utc for frame in self.frames)
        if len(counts) > 1:
            most = counts.most_common(1)[0][0]
            first = next(f for f in self.frames if f.reference_utc != most)
            listed = ", ".join(f"{n} of {t:%Y-%m-%dT%H:%MZ}" for t, n in counts.most_common())
            raise DecodeError(
                f"{shown(self.path)}: its messages are of {len(counts)} different cycles "
                f"({listed}); "
                f"the first that differs is message {first.number} at byte {first.offset}. "
                f"Fetch the file again"
            )
        return next(iter(counts))


def walk(path: str | Path) -> Framing:
    """Find every message of a GRIB2 file and check its frame.

    Layout: WMO-No. 306, Manual on Codes, volume I.2, FM 92 GRIB edition 2, sections 0-8.

    Raises
    ------
    SourceError
        If the file is not there or may not be read.
    DecodeError
        If it is empty, no GRIB, GRIB of another edition, cut off or damaged.
    """
    digest = hashlib.sha256()  # of all bytes, padding too: what `sha256_of` finds
    name = _require_utf8(path)
    frames: list[Frame] = []
    offset = 0
    try:
        with Path(path).open("rb") as file:
            end = os.fstat(file.fileno()).st_size  # what is written after this is not chased
            while offset < end:
                head = file.read(min(_INDICATOR_BYTES, end - offset))
                if frames and head[:1] == b"\0":
                    offset += _skip_padding(name, file, offset, digest)
                    continue
                length = _message_length(name, head, len(frames) + 1, offset)
                message = head + file.read(min(length, end - offset) - len(head))
                _require_whole(name, message, length, len(frames) + 1, offset)
                digest.update(message)
                frames.append(_frame(name, message, len(frames) + 1, offset))
                offset += length
    except OSError as error:
        raise unreadable(path, error) from error
    if not frames:
        raise DecodeError(f"{name}: the file is empty (0 bytes); fetch it again")
    return Framing(str(path), tuple(frames), digest.hexdigest(), offset)


def _skip_padding(path: str | Path, file: BinaryIO, offset: int, digest: Digest) -> int:
    """Number of zero bytes from an offset, read into the digest; the file stands behind them.

    Tapes and block copies fill up what lies between messages, or behind the last, with zeros.

    Raises
    ------
    DecodeError
        If they go on for longer than padding does: a file of which the middle never came.
    """
    file.seek(offset)
    size = 0
    while size <= _MOST_PADDING_BYTES:
        piece = file.read(_PIECE_BYTES)
        zeros = len(piece) - len(piece.lstrip(b"\0"))
        digest.update(piece[:zeros])
        size += zeros
        if size <= _MOST_PADDING_BYTES and (zeros < len(piece) or not piece):
            file.seek(offset + size)
            return size
    raise DecodeError(
        f"{path}: from byte {offset} on there are more than {_MOST_PADDING_BYTES} zero bytes, as "
        f"in an unfinished copy. Fetch the file again",
        retry=True,
    )


def _require_utf8(path: str | Path) -> str:
    """The name for people; refuses one that no database or log could hold."""
    try:
        str(path).encode("utf-8")
    except UnicodeEncodeError as error:
        raise SourceError(
            f"{shown(path)}: the name is not UTF-8; rename the file or its folder"
        ) from error
    return shown(path)


def sha256_of(path: str | Path) -> str:
    """SHA-256 of a file's bytes, whatever they are.

    Raises
    ------
    SourceError
        If the file is not there or may not be read.
    """
    try:
        with Path(path).open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise unreadable(path, error) from error


def unreadable(path: str | Path, error: OSError) -> SourceError:
    """Our error for a file or folder that the system will not hand over."""
    path = shown(path)
    if isinstance(error, FileNotFoundError):
        return SourceError(f"{path}: there is no such file or folder; check the name", retry=True)
    if isinstance(error, PermissionError):
        return SourceError(f"{path}: may not be read; give this user the right to read it")
    if isinstance(error, IsADirectoryError):
        return SourceError(f"{path}: is a folder; name a GRIB2 file in it")
    return SourceError(f"{path}: cannot be read ({error.strerror or error})", retry=True)


def _message_length(path: str | Path, head: bytes, number: int, offset: int) -> int:
    """Length of a message from its section 0. [byte]"""
    if head[:4] != b"GRIB"[: len(head)]:
        if offset == 0:
            raise DecodeError(f"{path}: is no GRIB file, {_looks(head)}. Fetch it again")
        raise DecodeError(
            f"{path}: byte {offset}, where message {number} should begin, holds no GRIB. "
            f"Fetch the file again"
        )
    edition = head[7] if len(head) > 7 else 2
    if edition != 2:
        raise DecodeError(
            f"{path}: message {number} at byte {offset} is GRIB edition {edition}; only "
            f"edition 2 is read. Convert the file or fetch it as GRIB2"
        )
    length = int.from_bytes(head[8:16], "big")
    if len(head) == _INDICATOR_BYTES and not 24 <= length < _LONGEST_MESSAGE_BYTES:
        raise DecodeError(
            f"{path}: message {number} at byte {offset} claims a length of {length} bytes; "
            f"its start is damaged. Fetch the file again"
        )
    return max(length, len(head))


def _looks(head: bytes) -> str:
    """What a file that is no GRIB begins with."""
    if not head.strip(b"\0"):
        return "it begins with zero bytes, as an unfinished copy does"
    begins = f"it begins with {head[:9].decode('ascii', 'backslashreplace')!r}"
    if head.lstrip()[:1] == b"<":
        return f"{begins}: a web page, perhaps an error page saved in its place"
    return begins


def _require_whole(path: str | Path, message: bytes, length: int, number: int, offset: int) -> None:
    """Refuse a message that the file does not hold to its end."""
    if len(message) < length or len(message) < _INDICATOR_BYTES:
        raise DecodeError(
            f"{path}: is cut off: message {number} begins at byte {offset} and needs "
            f"{max(length, _INDICATOR_BYTES)} bytes, but the file ends at byte "
            f"{offset + len(message)}. Fetch it again, or wait if it is still being written",
            retry=True,
        )
    if message[-4:] != _END:
        raise DecodeError(
            f"{path}: message {number} at byte {offset} does not end in 7777 at byte "
            f"{offset + length - 4}; bytes are missing or too many. Fetch the file again"
        )


def _frame(path: str | Path, message: bytes, number: int, offset: int) -> Frame:
    """Walk the sections of one whole message."""
    place, end = _INDICATOR_BYTES, len(message) - 4
    product, products = (-1, -1, -1, -1), []
    reference: datetime | None = None
    while place < end:
        size = int.from_bytes(message[place : place + 4], "big")
        section = message[place + 4] if place + 4 < end else 0
        if size < 5 or place + size > end or not 1 <= section <= 7:
            raise DecodeError(
                f"{path}: message {number} at byte {offset} is damaged inside: at byte "
                f"{offset + place} no section begins. Fetch the file again"
            )
        if section == 1:
            reference = _reference(message, place)
        elif section == 4 and size >= _PRODUCT_BYTES:  # template in octets 8 and 9, then what
            template = int.from_bytes(message[place + 7 : place + 9], "big")
            product = (template, message[6], message[place + 9], message[place + 10])
        elif section == 7:
            products.append(product)
        place += size
    if reference is None:
        raise DecodeError(
            f"{path}: message {number} at byte {offset} has no valid reference time; "
            f"it is damaged. Fetch the file again"
        )
    return Frame(number, offset, len(message), tuple(products), reference)


def pieces(message: bytes, frame: Frame) -> Iterator[bytes]:
    """Each field of a message as a message of its own, in order.

    Sections 2 to 7, 3 to 7 or 4 to 7 may be repeated in a message; a field has those seen
    last before its section 7. A bitmap "as defined before" (octet 6 of section 6 is 254) is
    the last one that was spelled out (WMO-No. 306, volume I.2, FM 92 GRIB, code table 6.0).

    Raises
    ------
    ValueError
        If it is not the message any more that was framed.
    """
    if frame.fields == 1:
        yield message
        return
    place, bitmap = _INDICATOR_BYTES, b""
    latest: dict[int, bytes] = {}
    while place < len(message) - 4:
        size = int.from_bytes(message[place : place + 4], "big")
        if size < 5:
            raise ValueError(f"{place} bytes into the message no section begins any more")
        section = message[place + 4]
        latest[section] = message[place : place + size]
        if section == 6 and size >= 6:
            if message[place + 5] == _BITMAP_BEFORE:
                latest[6] = bitmap
            else:
                bitmap = latest[6]
        place += size
        if section == 7:
            body = b"".join(latest[number] for number in sorted(latest))
            length = _INDICATOR_BYTES + len(body) + len(_END)
            yield message[:8] + length.to_bytes(8, "big") + body + _END


def _reference(message: bytes, section: int) -> datetime | None:
    """Reference time in section 1, or None if it is no date."""
    try:
        year, month, day, hour, minute, second = _REFERENCE_TIME.unpack_from(message, section + 12)
        return datetime(year, month, day, hour, minute, second, tzinfo=UTC)
    except (ValueError, struct.error):
        return None
