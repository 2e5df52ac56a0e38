"""Compiled readers for meshes written as text: numbers, STL facets, OBJ statements, lists of a PLY body. A
leaf.

Each takes the bytes of the file as (N,) uint8 and gives an error code with the byte position instead of
raising.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from mountgen.arrays import Floats
from mountgen.compiled import compiled

Bytes = NDArray[np.uint8]
Longs = NDArray[np.int64]
FINE, NOT_A_NUMBER, NOT_A_TRIANGLE, CUT_OFF = 0, 1, 2, 3
_jit = compiled()
_TENS = 10.0 ** np.arange(23)  # powers of ten that double precision holds exactly


def read_stl_text(data: Bytes, most: int) -> tuple[Floats, int, int]:
    """Corners (N, 3) of the facets of an ASCII STL in file order (at most `most`), an error code and its byte
    position.
    """
    out = np.empty((most, 3))
    count, code, at = _stl(data, out)
    return out[:count], code, at


def read_obj_text(data: Bytes) -> tuple[Floats, Longs, int, int]:
    """Vertices (V, 3) and triangles (F, 3, 0-based, unchecked) of an OBJ, an error code and its byte
    position.
    """
    nothing = np.empty((0, 3))
    points, triangles, code, at = _obj(data, nothing, np.empty((0, 3), np.int64), False)
    vertices, faces = np.empty((points, 3)), np.empty((triangles, 3), np.int64)
    if code == FINE:
        _obj(data, vertices, faces, True)
    return vertices, faces, code, at


def read_numbers(data: Bytes, begin: int) -> tuple[Floats, int, int]:
    """All numbers from byte `begin` on: (N,) float64, an error code and its byte position."""
    out = np.empty(_count_words(data, begin))
    code, at = _numbers(data, begin, out)
    return out, code, at


def read_number_lists(
    values: Floats, at: int, rows: int, lists: NDArray[np.bool_], wanted: int
) -> tuple[Longs, int]:
    """Triangles (F, 3) of the `wanted` list property of `rows` rows that start at value `at`, and where the
    rows end (-1: cut off).

    `lists` says for each property whether it is a list. Polygons are cut into a fan of triangles.
    """
    count, end = _number_lists(values, at, rows, lists, wanted, np.empty((0, 3), np.int64), False)
    faces = np.empty((count, 3), np.int64)
    if end >= 0:
        _number_lists(values, at, rows, lists, wanted, faces, True)
    return faces, end


def read_byte_lists(
    data: Bytes, at: int, rows: int, sizes: Longs, wanted: int, little: bool
) -> tuple[Longs, int]:
    """As `read_number_lists` for a binary body; sizes: (P, 2) bytes of the count (0: no list) and of an item
    (below 0: signed).
    """
    count, end = _byte_lists(data, at, rows, sizes, wanted, little, np.empty((0, 3), np.int64), False)
    faces = np.empty((count, 3), np.int64)
    if end >= 0:
        _byte_lists(data, at, rows, sizes, wanted, little, faces, True)
    return faces, end


def read_tags(
    data: Bytes, begin: int, end: int, word: bytes, letter: bytes, most: int
) -> tuple[Floats, bool]:
    """Numbers (N, 3) of XML tags `word` in data[begin:end] (at most `most`): of x, y, z (`letter` x) or v1,
    v2, v3 (`letter` v).
    """
    out = np.full((most, 3), np.nan)
    count, fine = _tags(data, begin, end, np.frombuffer(word, np.uint8), ord(letter), out)
    return out[:count], fine


@_jit
def _blank(c):  # type: ignore[no-untyped-def]
    return c == 32 or (9 <= c <= 13)


@_jit
def _skip_blanks(data, i):  # type: ignore[no-untyped-def]
    while i < data.shape[0] and _blank(data[i]):
        i += 1
    return i


@_jit
def _skip_word(data, i):  # type: ignore[no-untyped-def]
    while i < data.shape[0] and not _blank(data[i]):
        i += 1
    return i


@_jit
def _skip_line(data, i):  # type: ignore[no-untyped-def]
    while i < data.shape[0] and data[i] != 10 and data[i] != 13:
        i += 1
    return i


@_jit
def _is_word(data, i, end, word):  # type: ignore[no-untyped-def]
    """Whether data[i:end] is `word` (lower-case letters, as uint8) in any case."""
    if end - i != word.shape[0]:
        return False
    k = 0
    while k < word.shape[0] and data[i + k] | 32 == word[k]:
        k += 1
    return k == word.shape[0]


@_jit
def _number(data, i):  # type: ignore[no-untyped-def]
    """Value of the number at byte i, the byte after it, and whether it is one. Words such as nan and inf give
    nan.
    """
    n = data.shape[0]
    sign = 1.0
    if i < n and (data[i] == 45 or data[i] == 43):
        sign = -1.0 if data[i] == 45 else 1.0
        i += 1
    if i < n and (data[i] | 32 == 110 or data[i] | 32 == 105):  # n, i
        return np.nan, _skip_word(data, i), True
    mantissa = np.int64(0)
    power = 0
    digits = 0
    point = False
    while i < n:
        c = data[i]
        if 48 <= c <= 57:
            digits += 1
            if mantissa < 100_000_000_000_000_000:
                mantissa = mantissa * 10 + (c - 48)
                if point:
                    power -= 1
            elif not point:
                power += 1
        elif c == 46 and not point:
            point = True
        else:
            break
        i += 1
    if digits == 0:
        return 0.0, i, False
    if i < n and data[i] == 35:  # 1.#QNAN
        return np.nan, _skip_word(data, i), True
    if i < n and (data[i] | 32 == 101 or data[i] | 32 == 100):  # e, d
        i += 1
        minus = False
        if i < n and (data[i] == 45 or data[i] == 43):
            minus = data[i] == 45
            i += 1
        begin = i
        exponent = 0
        while i < n and 48 <= data[i] <= 57:
            exponent = min(exponent * 10 + (data[i] - 48), 9999)
            i += 1
        if i == begin:
            return 0.0, i, False
        power += -exponent if minus else exponent
    # a quote ends the number of an XML attribute
    if i < n and not _blank(data[i]) and data[i] != 34 and data[i] != 39:
        return 0.0, i, False
    value = float(mantissa)
    if mantissa != 0:
        while power > 22 and value < 1e300:
            value *= 1e22
            power -= 22
        while power < -22 and value > 1e-300:
            value /= 1e22
            power += 22
        value = value * _TENS[min(power, 22)] if power >= 0 else value / _TENS[min(-power, 22)]
    return sign * value, i, True


_VERTEX, _SOLID, _FACET = (np.frombuffer(w, np.uint8) for w in (b"vertex", b"solid", b"facet"))
_ENDLOOP, _ENDFACET, _ENDSOLID = (np.frombuffer(w, np.uint8) for w in (b"endloop", b"endfacet", b"endsolid"))


@_jit
def _stl(data, out):  # type: ignore[no-untyped-def]
    n = data.shape[0]
    i = _skip_blanks(data, 0)
    count = opened = 0
    inside = facet = False
    while i < n:
        end = _skip_word(data, i)
        if _is_word(data, i, end, _VERTEX):
            if not facet:
                return count, NOT_A_TRIANGLE, i
            at = i
            i = end
            for k in range(3):
                i = _skip_blanks(data, i)
                if i >= n:
                    return count, CUT_OFF, i
                value, end, fine = _number(data, i)
                if not fine:
                    return count, (CUT_OFF if end >= n else NOT_A_NUMBER), i
                if count < out.shape[0]:
                    out[count, k] = value
                i = end
            if count >= out.shape[0]:
                return count, NOT_A_TRIANGLE, at
            count += 1
            end = i
        elif _is_word(data, i, end, _SOLID):
            inside = True
            end = _skip_line(data, end)
        elif _is_word(data, i, end, _FACET):
            facet = True
            opened = count
        elif _is_word(data, i, end, _ENDLOOP):
            if count - opened != 3:
                return count, NOT_A_TRIANGLE, i
        elif _is_word(data, i, end, _ENDFACET):
            facet = False
        elif _is_word(data, i, end, _ENDSOLID):
            inside = False
            end = _skip_line(data, end)
        i = _skip_blanks(data, end)
    return count, (CUT_OFF if inside or facet else FINE), n


@_jit
def _obj(data, vertices, faces, store):  # type: ignore[no-untyped-def]
    n = data.shape[0]
    points = triangles = 0
    i = _skip_blanks(data, 0)
    while i < n:
        kind = data[i]
        plain = i + 1 < n and (data[i + 1] == 32 or data[i + 1] == 9)
        if plain and kind == 118:  # v
            i += 1
            for k in range(3):
                while i < n and (data[i] == 32 or data[i] == 9):
                    i += 1
                value, end, fine = _number(data, i)
                if not fine:
                    return points, triangles, (CUT_OFF if end >= n else NOT_A_NUMBER), i
                if store:
                    vertices[points, k] = value
                i = end
            points += 1
        elif plain and kind == 102:  # f
            i += 1
            corners = 0
            first = before = np.int64(0)
            while True:
                while i < n and (data[i] == 32 or data[i] == 9):
                    i += 1
                # goes on in the next line
                if i + 1 < n and data[i] == 92 and (data[i + 1] == 10 or data[i + 1] == 13):
                    i = _skip_blanks(data, i + 1)
                if i >= n or data[i] == 10 or data[i] == 13 or data[i] == 35:
                    break
                at = i
                minus = data[i] == 45
                if minus:
                    i += 1
                begin = i
                index = np.int64(0)
                while i < n and 48 <= data[i] <= 57:
                    index = min(index * 10 + (data[i] - 48), np.int64(1 << 40))
                    i += 1
                if i == begin or (i < n and data[i] != 47 and not _blank(data[i])):
                    return points, triangles, NOT_A_NUMBER, at
                i = _skip_word(data, i)
                index = points - index if minus else index - 1
                corners += 1
                if corners == 1:
                    first = index
                elif corners > 2:
                    if store:
                        faces[triangles, 0] = first
                        faces[triangles, 1] = before
                        faces[triangles, 2] = index
                    triangles += 1
                before = index
            if corners < 3:
                return points, triangles, (CUT_OFF if i >= n else NOT_A_TRIANGLE), i
        i = _skip_blanks(data, _skip_line(data, i))
    return points, triangles, FINE, n


@_jit
def _count_words(data, begin):  # type: ignore[no-untyped-def]
    count = 0
    i = _skip_blanks(data, begin)
    while i < data.shape[0]:
        count += 1
        i = _skip_blanks(data, _skip_word(data, i))
    return count


@_jit
def _numbers(data, begin, out):  # type: ignore[no-untyped-def]
    i = _skip_blanks(data, begin)
    for k in range(out.shape[0]):
        value, end, fine = _number(data, i)
        if not fine:
            return NOT_A_NUMBER, i
        out[k] = value
        i = _skip_blanks(data, end)
    return FINE, i


@_jit
def _number_lists(values, at, rows, lists, wanted, faces, store):  # type: ignore[no-untyped-def]
    n = values.shape[0]
    count = 0
    for _ in range(rows):
        for p in range(lists.shape[0]):
            if at >= n:
                return count, -1
            if not lists[p]:
                at += 1
                continue
            length = values[at]
            at += 1
            if not (0 <= length <= n - at):
                return count, -1
            size = int(length)
            if p == wanted:
                for k in range(2, size):
                    if store:
                        for c in range(3):
                            v = values[at + (0 if c == 0 else k - 2 + c)]
                            faces[count, c] = np.int64(v) if abs(v) < 1e15 else -1
                    count += 1
            at += size
    return (count, at) if at <= n else (count, -1)


@_jit
def _integer(data, at, size, little):  # type: ignore[no-untyped-def]
    """The integer of |size| bytes at byte `at`; a size below 0 means a signed one."""
    width = abs(size)
    value = np.int64(0)
    for k in range(width):
        value = (value << 8) | np.int64(data[at + (width - 1 - k if little else k)])
    if size < 0 and width < 8 and value >> (8 * width - 1):
        value -= np.int64(1) << (8 * width)
    return value


@_jit
def _byte_lists(data, at, rows, sizes, wanted, little, faces, store):  # type: ignore[no-untyped-def]
    n = data.shape[0]
    count = 0
    for _ in range(rows):
        for p in range(sizes.shape[0]):
            if sizes[p, 0] == 0:
                at += abs(sizes[p, 1])
                continue
            if at + abs(sizes[p, 0]) > n:
                return count, -1
            length = _integer(data, at, sizes[p, 0], little)
            at += abs(sizes[p, 0])
            width = abs(sizes[p, 1])
            if length < 0 or length > (n - at) // width:
                return count, -1
            if p == wanted:
                for k in range(2, length):
                    if store:
                        faces[count, 0] = _integer(data, at, sizes[p, 1], little)
                        faces[count, 1] = _integer(data, at + (k - 1) * width, sizes[p, 1], little)
                        faces[count, 2] = _integer(data, at + k * width, sizes[p, 1], little)
                    count += 1
            at += length * width
        if at > n:
            return count, -1
    return count, at


@_jit
def _tags(data, begin, end, word, letter, out):  # type: ignore[no-untyped-def]
    i = begin
    count = 0
    while i < end:
        if data[i] != 60:  # <
            i += 1
            continue
        i += 1
        if i + 2 < end and data[i] == 33 and data[i + 1] == 45:  # a comment, up to -->
            while i + 2 < end and not (data[i] == 45 and data[i + 1] == 45 and data[i + 2] == 62):
                i += 1
            continue
        start = i
        while i < end and (97 <= data[i] | 32 <= 122 or 48 <= data[i] <= 58 or data[i] == 95):
            i += 1
            if data[i - 1] == 58:  # the name comes after its namespace
                start = i
        if not _is_word(data, start, i, word):
            continue
        if count >= out.shape[0]:
            return count, False
        found = 0
        while i < end and data[i] != 62:  # >
            first = second = 0
            length = 0
            while i < end and data[i] != 61 and data[i] != 62:  # name, up to =
                if not _blank(data[i]) and data[i] != 47:
                    length += 1
                    second = data[i] if length == 2 else second
                    first = data[i] if length == 1 else first
                i += 1
            if i >= end or data[i] == 62:
                break
            i = _skip_blanks(data, i + 1)
            if i >= end or (data[i] != 34 and data[i] != 39):
                return count, False
            quote = data[i]
            i += 1
            column = -1
            if letter == 118 and length == 2 and first == 118:
                column = second - 49
            elif letter == 120 and length == 1:
                column = first - 120
            if 0 <= column < 3:
                value, _, fine = _number(data, _skip_blanks(data, i))
                if not fine:
                    return count, False
                out[count, column] = value
                found |= 1 << column
            while i < end and data[i] != quote:
                i += 1
            i += 1
        if found != 7:
            return count, False
        count += 1
    return count, True
