"""Breaking bytes the way accidents and attackers do: pieces lost, doubled, overwritten by awkward numbers and words."""

from __future__ import annotations

import random

_NUMBERS = [bytes(n) for n in (1, 2, 4, 8)] + [b"\xff" * n for n in (1, 2, 4, 8)] + [b"\x7f\xff", b"\xff\x7f", b"\x80"]
_WORDS = [
    b"nan", b"inf", b"-inf", b"1e999", b"-1", b"0", b"1e308", b"99999999999999999999", b"null", b"[]", b"{}", b"[[[[",
    b'"', b"\\", b"../../x", b"\0", b"\r\n\r\n", b"\xef\xbb\xbf", "\u202e\u0000é王".encode(), b"true", b"LIST", b"%d",
    b"SQ\0\0", b"\xfe\xff\x00\xe0", b"\xfe\xff\xdd\xe0", b"1.2.840.10008.1.2.4.80", b"1.2.840.10008.1.2.1.99",
]  # fmt: skip


def broken(data: bytes, rng: random.Random, others: list[bytes]) -> bytes:
    """Return the data with one to eight changes; ``others`` lend pieces."""
    made = bytearray(data)
    for _ in range(rng.choice((1, 1, 1, 2, 3, 8))):
        at = rng.randrange(len(made) + 1)
        length = min(rng.choice((1, 2, 4, 8, 16, 64, 512)), len(made) - at)
        kind = rng.randrange(7)
        if kind == 0 and length:
            made[at] ^= 1 << rng.randrange(8)
        elif kind == 1:
            value = rng.choice(_NUMBERS)
            made[at : at + len(value)] = value
        elif kind == 2:
            value = rng.choice(_WORDS)
            made[at : at + rng.choice((0, len(value)))] = value
        elif kind == 3:
            del made[at : at + length]
        elif kind == 4:
            made[at:at] = made[at : at + length] * rng.choice((1, 2, 50))
        elif kind == 5:
            other = rng.choice(others)
            start = rng.randrange(len(other) + 1)
            made[at : at + length] = other[start : start + length]
        else:
            made[at : at + length] = rng.randbytes(length)
    if rng.random() < 0.05:
        del made[rng.randrange(len(made) + 1) :]
    return bytes(made)
