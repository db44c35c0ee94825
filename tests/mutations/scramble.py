"""Mutations of bytes: flipped, cut, repeated, moved, overwritten; of any file, with no regard to what they mean."""

from __future__ import annotations

import numpy as np

LENGTHS = (
    b"\xff\xff\xff\xff",
    b"\x7f\xff\xff\xff",
    b"\xff\xff\xff\x7f",
    b"\x00\x00\x00\x00",
    b"\x80\x00\x00\x00",
    b"\x00\x00\x00\x80",
    b"\xff\xff\xff\xff\xff\xff\xff\xff",
    b"\x00\x00\x00\x00\x00\x00\xf0\x7f",
    b"\x00\x00\x00\x00\x00\x00\xf8\x7f",
    b"\x00",
    b"\xff",
    b"\n",
    b"\x00" * 64,
)
"""Sizes nobody means: largest and smallest whole numbers of both byte orders, infinity, not-a-number."""


def scramble(trial, path, others=()):
    """Spoil a file's bytes in one to three ways."""
    data = path.read_bytes()
    for _ in range(1 + trial.below(3) * trial.below(2)):
        way = trial.one_of(WAYS)
        trial.say(f"{path.name}: {way.__name__}")
        data = way(trial, data, others)
    path.write_bytes(data)


def flip_bits(trial, data, others):
    """Turn single bits over, anywhere."""
    return _edit(trial, data, lambda old: old ^ (1 << trial.below(8)))


def replace_bytes(trial, data, others):
    """Put other bytes, anywhere."""
    return _edit(trial, data, lambda _: trial.below(256))


def _edit(trial, data, change):
    new = bytearray(data)
    n = trial.one_of((1, 1, 2, 4, 16, 64, 256))
    # what matters most stands at a file's beginning and end
    near = trial.one_of((100, 1000, len(new), len(new)))
    for _ in range(n):
        if new:
            at = trial.below(min(near, len(new)))
            at = len(new) - 1 - at if trial.chance(0.2) else at
            new[at] = change(new[at])
    return bytes(new)


def cut_off(trial, data, others):
    """Keep the beginning only."""
    return data[: trial.one_of((trial.below(len(data)), trial.below(200), max(0, len(data) - 1 - trial.below(300))))]


def cut_head(trial, data, others):
    """Lose the beginning."""
    return data[trial.below(min(len(data), 2000)) :]


def cut_out(trial, data, others):
    """Lose a piece in the middle."""
    at = trial.below(len(data))
    return data[:at] + data[at + 1 + trial.below(2000) :]


def repeat(trial, data, others):
    """Say a piece twice, or the whole again."""
    if trial.chance(0.2):
        return data + data
    at, size = trial.below(len(data)), 1 + trial.below(1000)
    return data[: at + size] + data[at:]


def zeros(trial, data, others):
    """Lose a block to zeros, as a broken copy does."""
    at, size = trial.below(len(data)), trial.one_of((16, 512, 4096))
    return data[:at] + bytes(min(size, len(data) - at)) + data[at + size :]


def swap(trial, data, others):
    """Let two pieces change places."""
    a, b, size = trial.below(len(data)), trial.below(len(data)), 1 + trial.below(600)
    new = bytearray(data)
    first, second = bytes(new[a : a + size]), bytes(new[b : b + size])
    new[a : a + len(second)] = second
    new[b : b + len(first)] = first
    return bytes(new)


def absurd_length(trial, data, others):
    """Overwrite what may be a length or an offset."""
    new = bytearray(data)
    at = trial.below(min(len(new), trial.one_of((64, 400, 1 << 30))))
    value = trial.one_of(LENGTHS)
    new[at : at + len(value)] = value
    return bytes(new)


def insert(trial, data, others):
    """Put noise in between."""
    at = trial.below(len(data))
    return data[:at] + trial.rng.bytes(1 + trial.below(300)) + data[at:]


def grow(trial, data, others):
    """Append noise."""
    return data + trial.rng.bytes(trial.one_of((1, 1000, 100_000)))


def splice(trial, data, others):
    """End as another file does."""
    if not others:
        return grow(trial, data, others)
    other = trial.one_of(others).read_bytes()
    return data[: trial.below(len(data))] + other[trial.below(len(other)) :]


def noise(trial, data, others):
    """Be noise altogether, perhaps behind the right first bytes."""
    return data[: trial.one_of((0, 4, 16, 100))] + np.random.default_rng(trial.below(1 << 30)).bytes(5000)


WAYS = (
    flip_bits,
    flip_bits,
    flip_bits,
    replace_bytes,
    replace_bytes,
    cut_off,
    cut_head,
    cut_out,
    repeat,
    zeros,
    swap,
    absurd_length,
    absurd_length,
    absurd_length,
    insert,
    grow,
    splice,
    noise,
)
