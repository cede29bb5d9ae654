"""Which format a capture has, by its first bytes; what is not read is named, with what to do."""

from __future__ import annotations

import re
import shlex
from pathlib import Path
from typing import NoReturn

from canscope.capture import READERS
from canscope.capture.input.text import shown
from canscope.model.errors import CaptureError, Where

AS_TEXT = (
    "export it as candump text, one frame a line: (1700000000.123456) can0 123#11223344; "
    "or name the format with --format"
)
AS_PCAP = "export it as pcap, pcapng or candump text"
UNPACK = "unpack it first; one gzip, bzip2, xz or zstd is unpacked on the way"
ARCHIVES = (
    (b"PK\x03\x04", "a zip archive"),
    (b"7z\xbc\xaf\x27\x1c", "a 7z archive"),
    (b"Rar!\x1a\x07", "a rar archive"),
)
OFFICE = b"[Content_Types].xml"  # ECMA-376-2 10.1.2.2: in each document of an office program
AS_CSV = "save it as CSV with a line of headings, or export it as candump text"
KNOWN = (  # first bytes of other formats, from memory
    (b"MDF  ", "an MDF measurement older than version 4", "export it as MF4 with bus logging"),
    (b"UnFinMF", "an MDF measurement older than version 4", "export it as MF4 with bus logging"),
    (b"\x34\xcd\xb2\xa1", "a packet capture of a modified kind", AS_PCAP),
    (b"\xa1\xb2\xcd\x34", "a packet capture of a modified kind", AS_PCAP),
    (b"\x0a\x0d\x0d\x0a", "a damaged packet capture (pcapng)", AS_PCAP),
    (b"\x1f\x8b", "compressed twice", UNPACK),
    (b"\x04\x22\x4d\x18", "compressed by lz4", UNPACK),
    (b"\x1f\x9d", "compressed by compress", UNPACK),
    (b"PAR1", "a table of values (Parquet)", AS_CSV),
    (b"\x89HDF\r\n", "a table of values (HDF5)", AS_CSV),
    (b"MATLAB 5", "a table of values (MATLAB)", AS_CSV),
    (b"%PDF-", "a printed page (PDF)", AS_TEXT),
    (b"{", "a file of JSON", AS_CSV),
    (b"[{", "a file of JSON", AS_CSV),
    (b"version https://git-lfs", "a pointer of Git LFS", "get the file itself with git lfs pull"),
)
WEB_PAGE = re.compile(rb"\s*<(?:!doctype\s+html|html)\b", re.IGNORECASE)
# what python-can reads by the end of a file's name (4.6.1, ``can.io.player.MESSAGE_READERS``)
BY_PYTHON_CAN = (
    (re.compile(rb"LOGG"), "a vendor's binary log", ".blf"),
    (re.compile(rb";\$FILEVERSION|;#{3}"), "a vendor's trace", ".trc"),
)
NO_TIMES = re.compile(rb"[0-9A-Fa-f]{3,8}#[0-9A-Fa-f]*\s*\Z")
TAR, TAR_AT = b"ustar", 257  # POSIX.1-1988, the header of a member
ASC = re.compile(
    rb"(?m)^(?:date [A-Z]|base +(?:hex|dec)\b"
    rb"|[ \t]*\d+\.\d+[ \t]+\w+[ \t]+[0-9A-Fa-f]+x?[ \t]+[RT]x[ \t])"
)
SEPARATORS = (b",", b";", b"\t")
# Files that belong beside a capture, given in its place.
PLAN = re.compile(rb"(?m)^[ \t]*(?:\[(?:job|buses|pack|limits)\]|format[ \t]*=[ \t]*1\s)")
DEFINITION = re.compile(rb'(?m)^(?:VERSION "|NS_ ?:|BO_ \d+ )|<NetworkDefinition|<AUTOSAR')


def detect(head: bytes, file: str) -> str:
    """The name of the format of a file that begins with ``head``.

    Raises ``CaptureError`` that says what the file looks like, and what to export instead.
    """
    # A file of bytes may hold a line that looks like one of a log, so its magic number counts
    # first. Text has none: readers are imported one by one until one of them knows its lines.
    if head[TAR_AT : TAR_AT + len(TAR)] == TAR:
        _refuse_archive("a tar archive", f"unpack it with tar -xf {shlex.quote(file)}", file)
    if head.startswith(ARCHIVES[0][0]) and OFFICE in head:
        raise CaptureError(
            "this looks like a document of an office program", where=Where(file), hint=AS_CSV
        )
    for magic, words in ARCHIVES:  # lines may lie in it as they are
        if head.startswith(magic):
            _refuse_archive(words, "unpack it", file)
    is_text = b"\0" not in head
    for by_lines in (is_text, not is_text):
        for name in READERS:
            reader = READERS[name]
            if reader.by_lines is by_lines and reader().recognises(head):
                return name
    looks, hint = _looks(head, file)
    raise CaptureError(
        f"this looks like {looks}, not like a capture that can be read (those are: "
        f"{', '.join(READERS)})",
        where=Where(file),
        hint=hint,
    )


def _refuse_archive(looks: str, unpack: str, file: str) -> NoReturn:
    raise CaptureError(
        f"{looks}, in which captures may lie",
        where=Where(file),
        hint=f"{unpack}, and name the captures in it",
    )


def _conversion(file: str, suffix: str) -> str:
    """The command by which python-can, which is installed with canscope, makes candump text."""
    path = Path(file)
    named = path if path.suffix.lower() == suffix else path.with_name(path.name + suffix)
    first = "" if named == path else f"name it {shlex.quote(str(named))} and "
    words = shlex.join([str(named), str(named.with_suffix(".log"))])
    return f"{first}convert it: python -m can.logconvert {words}"


def _looks(head: bytes, file: str) -> tuple[str, str]:
    """What a file looks like, in words, and what to do."""
    for magic, words, hint in KNOWN:
        if head.startswith(magic):
            return words, hint
    if WEB_PAGE.match(head):
        return "a web page", "download the file again: a page came in its place"
    for begun, words, suffix in BY_PYTHON_CAN:
        if begun.match(head):
            return words, _conversion(file, suffix)
    if b"\0" in head or sum(byte < 32 and byte not in b"\t\r\n" for byte in head) > len(head) / 10:
        return "a binary file", AS_TEXT
    if PLAN.search(head):
        return "a bench plan", "the capture comes first: canscope check CAPTURE --plan PLAN"
    if DEFINITION.search(head):
        return "a signal definition", "give the capture first, and this file with --definitions"
    lines = [line for line in head.splitlines()[:10] if line.strip()]
    if ASC.search(head):
        return "a vendor's text log", _conversion(file, ".asc")
    if lines and all(NO_TIMES.match(line) for line in lines):
        again = "record again with candump -L, or at least with its option -ta"
        return "frames without stamps", f"no times in it, so nothing can be judged: {again}"
    first = f"its first line is {shown(lines[0])}" if lines else "it is blank"
    for separator in SEPARATORS:
        if lines and all(line.count(separator) >= 2 for line in lines):
            return f"a table of values (CSV); {first}", AS_TEXT
    return f"other text; {first}", AS_TEXT
