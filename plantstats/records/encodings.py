"""Encodings of text files: proved by the bytes where they can be, asked for where they cannot."""

from __future__ import annotations

import codecs
import re
from pathlib import Path

from plantstats.records.errors import RecordError

CHUNK = 16 * 2**20
# Bytes that Windows-1252 leaves undefined: a file that holds one is not in that encoding.
UNDEFINED_1252 = re.compile(rb"[\x81\x8d\x8f\x90\x9d]")
ODD_CELL = re.compile(rb"[^\r\n,;\t\"|]*[\x80-\xff][^\r\n,;\t\"|]*")


def find_encoding(path: Path, name: str, asked: str | None) -> tuple[str, str]:
    """Find the encoding of a file of text in one pass.

    Parameters
    ----------
    path : Path
    name : str
        For messages.
    asked : str or None
        What the settings say.

    Returns
    -------
    encoding : str
        As Python names it.
    sample : str
        Some of the letters beyond ASCII.

    Raises
    ------
    RecordError
        Where it is not known, or can be neither UTF-8 nor Windows-1252.
    """
    utf8 = codecs.getincrementaldecoder("utf-8")("strict")
    valid, undefined, odd = True, 0, b""
    with path.open("rb") as file:
        start = file.read(4)
        file.seek(0)
        at = 0
        while chunk := file.read(CHUNK):
            if not chunk.isascii():
                if not odd and (match := ODD_CELL.search(chunk, 3 if at == 0 else 0)):
                    odd = match[0][:60]
                bad = UNDEFINED_1252.search(chunk)
                if bad and not undefined:
                    undefined = at + bad.start() + 1
            if valid:
                try:
                    utf8.decode(chunk)
                except UnicodeDecodeError:
                    valid = False
            at += len(chunk)
    encoding = _choose(asked, name, start, valid, undefined)
    sample = odd.decode(encoding, errors="replace").strip("\ufeff") if odd and "16" not in encoding else ""
    return encoding, sample


def _choose(asked: str | None, name: str, start: bytes, valid: bool, undefined: int) -> str:
    """The encoding that the settings ask for, else the one that the bytes prove.

    Parameters
    ----------
    asked : str or None
    name : str
        Of the file.
    start : bytes
        Its first bytes.
    valid : bool
        Whether it is UTF-8.
    undefined : int
        The first byte that Windows-1252 leaves undefined, or 0.
    """
    if asked is not None:
        try:
            known = codecs.lookup(asked)
        except (LookupError, ValueError):
            known = None
        # Python also lists packings such as zip and base64, which are no encodings of text.
        if known is None or not getattr(known, "_is_text_encoding", True):
            raise RecordError([f"{name}: encoding {asked!r} is not known"])
        return known.name
    if start.startswith(codecs.BOM_UTF8):
        return "utf-8-sig"
    if start.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return "utf-16"
    if valid and b"\0" not in start:
        return "utf-8"
    if start[1:2] == b"\0" or start[:1] == b"\0":
        return "utf-16-le" if start[1:2] == b"\0" else "utf-16-be"
    if undefined:
        raise RecordError([f"{name}: neither UTF-8 nor Windows-1252 (byte {undefined:,}); set encoding"])
    return "cp1252"


def check_decodes(path: Path, encoding: str, name: str) -> None:
    """Refuse a file that does not decode in its encoding, naming the place.

    Parameters
    ----------
    path : Path
        Of the file.
    encoding : str
        Its name.
    name : str
        Of the file, for the message.

    Raises
    ------
    RecordError
        With the byte and its place.
    """
    with open(path, "rb") as file:
        decoder = codecs.getincrementaldecoder(encoding)("strict")
        at = 0
        while True:
            chunk = file.read(CHUNK)
            try:
                decoder.decode(chunk, final=not chunk).encode()
            except UnicodeError as error:
                place = at + getattr(error, "start", 0) + 1
                raise RecordError([f"{name}: byte {place:,} is not {encoding}; set encoding"]) from None
            if not chunk:
                return
            at += len(chunk)
