"""Bytes to words: the letters and numbers of one line, read the way printer firmware reads them.

Three rules, from the published grammars (NISTIR 6556 §3.3, firmware parsers) and from what real jobs hold:

1. A word is a letter of either case, blanks, a number. A number is a sign, digits and one point, with at least one
   digit; it never has an exponent, so `E1e-5` is the two words E1 and E-5.
2. `;` begins a comment to the end of the line; `(` begins one that ends at `)` on the same line.
3. `\\r` and `\\n` both end a line; the pair `\\r\\n` ends one line.

Kernels only, on plain arrays of bytes; they refuse nothing, they report where no number stood.
"""

import numpy as np

from liftwright.kernels import inlined, kernel

LF, CR, BLANK, TAB = 10, 13, 32, 9
SEMICOLON, PAREN, PAREN_END, STAR, BRACKET, BRACE = 59, 40, 41, 42, 91, 123

MAX_DIGITS = 18
FNV_OFFSET = np.uint64(14695981039346656037)
FNV_PRIME = np.uint64(1099511628211)


@inlined
def is_line_end(c: int) -> bool:
    return c == LF or c == CR


@inlined
def upper(c: int) -> int:
    """The letter in upper case; other bytes as they are."""
    return c - 32 if 97 <= c <= 122 else c


@kernel
def _read_long_number(buf: np.ndarray, i: int) -> tuple[float, int, int]:
    """`read_number` for more than 18 digits: leading zeros don't count, the surplus behind the point is dropped."""
    negative = buf[i] == 45
    if negative or buf[i] == 43:
        i += 1
    mantissa, digits, decimals, scale, behind = 0, 0, 0, 1.0, False
    while 48 <= buf[i] <= 57 or (buf[i] == 46 and not behind):
        if buf[i] == 46:
            behind = True
        elif digits < MAX_DIGITS:
            mantissa = mantissa * 10 + (buf[i] - 48)
            if mantissa > 0:
                digits += 1
            if behind:
                decimals += 1
                scale *= 10.0
        elif not behind:
            return 0.0, 0, -2
        i += 1
    value = mantissa / scale
    return (-value if negative else value), decimals, i


@inlined
def read_number(buf: np.ndarray, i: int) -> tuple[float, int, int]:
    """The number at `buf[i]`: (value, digits after the point, index behind it).

    The index is -1 where no number stands, -2 where its whole part has more than 18 digits. Digits after the
    point beyond the eighteenth in all are dropped: no motor resolves them.
    """
    sign = i
    c = buf[np.uint64(i)]
    if c == 45 or c == 43:
        i += 1
        c = buf[np.uint64(i)]
    begin = i
    mantissa = 0
    while 48 <= c <= 57:
        mantissa = mantissa * 10 + (c - 48)
        i += 1
        c = buf[np.uint64(i)]
    digits = i - begin
    decimals = 0
    # 10**k is an exact double up to k = 22, so the quotient is correctly rounded for mantissas below 2**53.
    scale = 1.0
    if c == 46:
        i += 1
        begin = i
        c = buf[np.uint64(i)]
        while 48 <= c <= 57:
            mantissa = mantissa * 10 + (c - 48)
            scale *= 10.0
            i += 1
            c = buf[np.uint64(i)]
        decimals = i - begin
        digits += decimals
    value = mantissa / scale
    if buf[sign] == 45:
        value = -value
    if digits > MAX_DIGITS:
        value, decimals, i = _read_long_number(buf, sign)
    elif digits == 0:
        i = -1
    return value, decimals, i


@kernel
def line_end(buf: np.ndarray, i: int) -> int:
    """Index of the line end at or after `i`; the caller guarantees that there is one."""
    while buf[i] != LF and buf[i] != CR:
        i += 1
    return i


@inlined
def skip_blanks(buf: np.ndarray, i: int) -> int:
    while buf[i] == BLANK or buf[i] == TAB:
        i += 1
    return i


@kernel
def command_name(buf: np.ndarray, i: int) -> tuple[np.uint64, int]:
    """Hash of the command name at `i`, upper case, up to a blank, comment or line end; and where it ends.

    A letter with a number (`m0622.1`) is hashed without leading zeros, as `M622.1`.
    """
    h = FNV_OFFSET
    first = True
    leading = False
    while True:
        c = buf[i]
        if c == BLANK or c == TAB or c == LF or c == CR or c == SEMICOLON or c == PAREN or c == 61:
            break
        c = upper(c)
        if not (leading and c == 48 and 48 <= buf[i + 1] <= 57):
            h = (h ^ np.uint64(c)) * FNV_PRIME
            leading = first and (c == 71 or c == 77 or c == 84)
        first = False
        i += 1
    return h, i


@kernel
def comment_key(buf: np.ndarray, i: int) -> tuple[np.uint64, int, int]:
    """The key of a `key = value` or `key: value` comment whose text begins at `i`.

    Returns (hash of the key without case, blanks, `_`, `-`; end of the key; start of the value), or
    (0, -1, -1) where the comment has no key within its first 60 bytes.
    """
    h = FNV_OFFSET
    seen = 0
    for k in range(i, i + 60):
        c = buf[k]
        if c == 61 or c == 58:
            if seen == 0:
                break
            return h, k, k + 1
        if 65 <= c <= 90:
            c += 32
        if 97 <= c <= 122 or 48 <= c <= 57:
            h = (h ^ np.uint64(c)) * FNV_PRIME
            seen += 1
        elif not (c == BLANK or c == TAB or c == 95 or c == 45):
            break
    return np.uint64(0), -1, -1
