"""Changes a good file a little or badly, the same way for the same seed."""

from __future__ import annotations

import io
import random
import re
import struct
import zipfile

NUMBER = re.compile(rb"-?\d+(?:\.\d+)?")
NUMBERS = (
    b"nan", b"inf", b"-inf", b"-1", b"0", b"-0.0", b"1e308", b"-1e308", b"1e-308", b"1e999", b"9" * 400, b"9" * 5000,
    b"1,5", b"0x10", b"1_0", b"+3", b".", b"1.2.3", "\u0663".encode(), b"true", b"null", b"1e7", b"16777216",
)  # fmt: skip
WORDS = (
    b"\0", b"\xff\xfe", b"\xed\xa0\x80", b"\\ud800", b'"', b"'", b'"""', b"[" * 3000, b"{" * 3000, b"((((",
    b"]", b"}", b"=1+1", "\u202e".encode(), b";", b",", b"\t", b"\r", b"\n", b"\r\n",
    b"<script>", b"../../", b"\x1b[2J",
    b"#", b"\\", b"x" * 100_000, "\U0001fa90".encode(), b"&#x10;", b"]]>", b"PK\x03\x04", b" ", b"solid ",
)  # fmt: skip

DIALOG = (
    b"", b"q", b"b", b"s", b"?", b"n", b"y", b"k", b"+", b"+ 20.1", b"20,1", b"20.1 20,2 20.3", b"20.1mm", b"r",
    b"r outside", b"r inside 8", b"r outside 1e9", b"20..1", b"2e1", b"-20", b"0", b"g", b"st", b"d", b"none", b"3.5",
)  # fmt: skip


def mutate(data: bytes, rng: random.Random) -> bytes:
    """Up to four changes of a file's bytes, fewer the likelier."""
    for _ in range(rng.choice((1, 1, 1, 2, 3, 4))):
        data = rng.choice(CHANGES)(data, rng)
    return data


def mutate_typed(data: bytes, rng: random.Random) -> bytes:
    """The same for what is typed, with words of the dialogs at random places."""
    lines = data.split(b"\n")
    for _ in range(rng.randrange(6)):
        lines.insert(rng.randrange(len(lines)), rng.choice(DIALOG))
    return mutate(b"\n".join(lines), rng)


def mutate_package(data: bytes, rng: random.Random) -> bytes:
    """The same within a zip archive's files, its list of files, or its bytes."""
    if rng.random() < 0.2:
        return mutate(data, rng)
    with zipfile.ZipFile(io.BytesIO(data)) as package:
        files = {name: package.read(name) for name in package.namelist()}
    name = rng.choice([*files, *[n for n in files if n.endswith(".model")] * 6])
    if rng.random() < 0.1:
        files[name + rng.choice(("", "x", "/../y"))] = files.pop(name)
    else:
        files[name] = mutate(files[name], rng)
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", rng.choice((zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED))) as package:
        for key, content in files.items():
            # Without a date of its own: the same bytes on every run.
            package.writestr(zipfile.ZipInfo(key), content, package.compression)
    return out.getvalue()


def mutate_facets(data: bytes, rng: random.Random) -> bytes:
    """The same for a binary STL, whose numbers are not text: counts, corners, whole facets."""
    if rng.random() < 0.3 or len(data) < 134:
        return mutate(data, rng)
    changed = bytearray(data)
    for _ in range(rng.choice((1, 1, 2, 20))):
        kind = rng.choice(("count", "corner", "corner", "swap"))
        facet = 84 + 50 * rng.randrange((len(data) - 84) // 50)
        if kind == "count":
            changed[80:84] = struct.pack(
                "<I", rng.choice((0, 1, 2**16, 2**31, 2**32 - 1, rng.randrange(5000)))
            )
        elif kind == "corner":
            value = rng.choice((float("nan"), float("inf"), 3e38, -1e-38, 0.0, 1e6, rng.uniform(-50, 50)))
            struct.pack_into("<f", changed, facet + 4 * rng.randrange(12), value)
        else:
            changed[facet + 12 : facet + 24] = changed[facet + 24 : facet + 36]
    return bytes(changed)


def _place(data: bytes, rng: random.Random) -> int:
    return rng.randrange(len(data) + 1)


def _flip(data: bytes, rng: random.Random) -> bytes:
    if not data:
        return data
    at = rng.randrange(len(data))
    return data[:at] + bytes([data[at] ^ (1 << rng.randrange(8))]) + data[at + 1 :]


def _lose(data: bytes, rng: random.Random) -> bytes:
    at = _place(data, rng)
    return data[:at] + data[at + rng.choice((1, 1, 3, 20, 1000)) :]


def _double(data: bytes, rng: random.Random) -> bytes:
    at = _place(data, rng)
    return data[:at] + data[at : at + rng.choice((1, 10, 200))] * rng.choice((2, 3, 500)) + data[at:]


def _insert(data: bytes, rng: random.Random) -> bytes:
    at = _place(data, rng)
    return data[:at] + rng.choice((*WORDS, *NUMBERS)) + data[at:]


def _number(data: bytes, rng: random.Random) -> bytes:
    found = list(NUMBER.finditer(data))
    if not found:
        return _insert(data, rng)
    one = rng.choice(found)
    return data[: one.start()] + rng.choice(NUMBERS) + data[one.end() :]


def _lines(data: bytes, rng: random.Random) -> bytes:
    lines = data.split(b"\n")
    kind = rng.choice(("shuffle", "drop", "repeat", "swap"))
    i, j = rng.randrange(len(lines)), rng.randrange(len(lines))
    if kind == "shuffle":
        rng.shuffle(lines)
    elif kind == "drop":
        del lines[i]
    elif kind == "repeat":
        lines[i:i] = [lines[i]] * rng.choice((1, 3, 3000))
    else:
        lines[i], lines[j] = lines[j], lines[i]
    return b"\n".join(lines)


def _cut(data: bytes, rng: random.Random) -> bytes:
    return data[: _place(data, rng)]


def _recode(data: bytes, rng: random.Random) -> bytes:
    return data.decode("utf-8", "replace").encode(rng.choice(("utf-16", "utf-8-sig", "utf-32")))


CHANGES = (_flip, _flip, _lose, _double, _insert, _insert, _number, _number, _number, _lines, _cut, _recode)
