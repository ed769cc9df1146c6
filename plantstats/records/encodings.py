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
    """Encoding, and a sample of the letters beyond ASCII, in one pass over the file."""
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
    if asked is not None:
        try:
            encoding = codecs.lookup(asked).name
        except LookupError:
            raise RecordError([f"{name}: encoding {asked!r} is not known"]) from None
    elif start.startswith(codecs.BOM_UTF8):
        encoding = "utf-8-sig"
    elif start.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        encoding = "utf-16"
    elif valid and b"\0" not in start:
        encoding = "utf-8"
    elif start[1:2] == b"\0" or start[:1] == b"\0":
        encoding = "utf-16-le" if start[1:2] == b"\0" else "utf-16-be"
    elif undefined:
        raise RecordError([f"{name}: neither UTF-8 nor Windows-1252 (byte {undefined:,}); set encoding"])
    else:
        encoding = "cp1252"
    sample = odd.decode(encoding, errors="replace").strip("\ufeff") if odd and "16" not in encoding else ""
    return encoding, sample


def readable(path: Path, encoding: str, name: str) -> None:
    """Raise RecordError if a file does not decode in its encoding, naming the place."""
    with open(path, "rb") as file:
        decoder = codecs.getincrementaldecoder(encoding)("strict")
        at = 0
        while chunk := file.read(CHUNK):
            try:
                decoder.decode(chunk)
            except UnicodeDecodeError as error:
                raise RecordError(
                    [f"{name}: byte {at + error.start + 1:,} is not {encoding}; set encoding"]
                ) from None
            at += len(chunk)
